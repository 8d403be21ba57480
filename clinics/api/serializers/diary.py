"""Reservations and absences in JSON."""

from rest_framework import serializers

from clinics.api.serializers.shared import ROW, BoundedPeriodSerializer
from clinics.models import Absence, Reservation
from clinics.policy import FIELDS
from clinics.vocabulary import ResourceKind
from core.api.serializers import GuardedOut
from core.vocabulary import choices


class ReservationSerializer(BoundedPeriodSerializer):
    """Something is busy. `source` names for what, as `<table>:<id>`."""

    kind = serializers.ChoiceField(source="resource.kind", choices=choices(ResourceKind))
    clinic = serializers.IntegerField(
        source="resource.clinic_id",
        allow_null=True,
        help_text="Where the resource stands now; staff and patients stand nowhere",
    )
    name = serializers.SerializerMethodField(
        help_text="Name of the room or the member of staff; null for any other kind"
    )

    class Meta:
        model = Reservation
        fields = (
            "id",
            "resource",
            "kind",
            "clinic",
            "name",
            "start",
            "end",
            "status",
            "reason",
            "source",
            "expires_at",
        )
        read_only_fields = fields

    def get_name(self, row: Reservation) -> str | None:
        """What people call the resource, where this app knows."""
        for named in ("room", "staff_member"):
            if hasattr(row.resource, named):
                name: str = getattr(row.resource, named).name
                return name
        return None


class AbsenceSerializer(GuardedOut, BoundedPeriodSerializer):
    """A member of staff, a room or a device is not to be had for a period."""

    guarded = FIELDS["Absence"]

    kind = serializers.ChoiceField(
        source="resource.kind", choices=choices(ResourceKind), read_only=True
    )
    entered_by = serializers.CharField(source="entered_by.name", read_only=True)

    class Meta:
        model = Absence
        fields = (*ROW, "resource", "kind", "start", "end", "reason", "note", "entered_by")
        read_only_fields = ("version",)
