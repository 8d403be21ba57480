"""What is busy when, and absences."""

from typing import Any

from django.db.models import F
from drf_spectacular.utils import extend_schema, extend_schema_view

from clinics.api.base import AddMixin, RemoveMixin
from clinics.api.filters import AbsenceFilters, ReservationFilters
from clinics.api.serializers.diary import AbsenceSerializer, ReservationSerializer
from clinics.models import Absence, Reservation
from clinics.services import absences
from clinics.vocabulary import AbsenceReason
from core.api.viewsets import ListMixin, RetrieveMixin
from core.db import from_range


@extend_schema_view(
    list=extend_schema(
        summary="List what is busy, from the earliest on",
        description="Everyone may. Holds that have expired are left out.",
    ),
    retrieve=extend_schema(summary="One reservation"),
)
class ReservationViewSet(ListMixin, RetrieveMixin):
    """Resources that are busy. Appointments and absences make and free them."""

    queryset = Reservation.objects.select_related("resource__room", "resource__staff_member")
    serializer_class = ReservationSerializer
    filterset_class = ReservationFilters
    keyset = ("starts_at", "id")
    policy = {"list": "reservation.read", "retrieve": "reservation.read"}

    def get_queryset(self) -> Any:
        """Those that count now, with their start to sort by."""
        rows: Any = super().get_queryset()
        return rows.counting_at(self.now()).annotate(starts_at=F("period__startswith"))


@extend_schema_view(
    list=extend_schema(summary="List absences"),
    retrieve=extend_schema(summary="One absence"),
    create=extend_schema(
        summary="Take a person, a room or a device out of the diary",
        description="A chain manager, front desk or laser safety officer may, at every clinic "
        "concerned: where the thing stands, or where the person has shifts then. `leave` goes "
        "with staff, `closure` with rooms, `service` with rooms and devices. 409 with the "
        "sources of what stands in the way.",
    ),
    destroy=extend_schema(
        summary="Put it back into the diary", description="Who may enter it may remove it."
    ),
)
class AbsenceViewSet(AddMixin, RemoveMixin):
    """Leave of staff, rooms that are closed, devices away for service."""

    queryset = Absence.objects.select_related("resource", "entered_by")
    serializer_class = AbsenceSerializer
    filterset_class = AbsenceFilters
    policy = {
        "list": "reservation.read",
        "retrieve": "reservation.read",
        "create": "absence.write",
        "destroy": "absence.write",
    }

    def add(self, fields: dict[str, Any]) -> Absence:
        return absences.absence_create(
            resource=fields["resource"],
            span=from_range(fields["period"]),
            reason=AbsenceReason(fields["reason"]),
            note=fields.get("note", ""),
            actor=self.actor,
            now=self.now(),
        )

    def remove(self, row: Any, *, expected: int | None) -> None:
        absences.absence_remove(pk=row.pk, expected_version=expected, actor=self.actor)
