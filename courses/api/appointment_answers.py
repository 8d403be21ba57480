"""Appointments as they are shown: plain, just booked, too early, with precautions."""

from datetime import date
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from core.api.serializers import GuardedOut
from courses.api.precautions import StandingOut, standing_shown
from courses.api.protection import EyewearLackingOut, eyewear_lacking
from courses.api.slots import ReasonOut, SegmentOut
from courses.models import Appointment
from courses.policy import FIELDS
from courses.selectors.precautions import appointment_standings
from courses.selectors.sequence import TooEarly
from courses.slots import reason_json


class AppointmentOut(GuardedOut, serializers.ModelSerializer[Appointment]):
    """A held or booked session. `time_zone` is the clinic's."""

    guarded = FIELDS["AppointmentOut"]

    time_zone = serializers.CharField(source="clinic.time_zone", read_only=True)
    patient = serializers.IntegerField(source="course.patient_id", read_only=True)
    segments = SegmentOut(source="timeline", many=True, read_only=True)
    wavelengths_nm = serializers.ListField(child=serializers.IntegerField(), read_only=True)

    class Meta:
        model = Appointment
        fields = (
            "id",
            "version",
            "course",
            "patient",
            "clinic",
            "time_zone",
            "room",
            "operator",
            "laser",
            "handpieces",
            "starts_at",
            "ends_at",
            "segments",
            "wavelengths_nm",
            "status",
            "status_reason",
            "hold_expires_at",
            "override_reason",
            "booked_by",
            "series",
            "position",
            "next_earliest_at",
            "next_advised_on",
        )
        read_only_fields = fields


class TooEarlyOut(AppointmentOut):
    """An appointment that cannot be kept as it stands: from when it could be, and why.

    `overridden`: a clinician gave a reason to book it before the window closes.
    """

    earliest_on = serializers.SerializerMethodField()
    advised_on = serializers.SerializerMethodField()
    overridden = serializers.SerializerMethodField()
    reasons = serializers.SerializerMethodField()

    class Meta:
        model = Appointment
        fields = (*AppointmentOut.Meta.fields, "earliest_on", "advised_on", "overridden", "reasons")
        read_only_fields = fields

    def get_earliest_on(self, row: Appointment) -> date | None:
        return self._told(row).earliest.on

    def get_advised_on(self, row: Appointment) -> date | None:
        return self._told(row).earliest.advised_on

    def get_overridden(self, row: Appointment) -> bool:
        return bool(row.override_reason)

    @extend_schema_field(ReasonOut(many=True))
    def get_reasons(self, row: Appointment) -> list[dict[str, Any]]:
        return [reason_json(reason) for reason in self._told(row).reasons]

    def _told(self, row: Appointment) -> TooEarly:
        found: TooEarly = self.context["told"][row.pk]
        return found


class WithPrecautionsOut(AppointmentOut):
    """An appointment, and what stands about precautions on its day, and since it was booked."""

    precautions = serializers.SerializerMethodField()

    class Meta:
        model = Appointment
        fields = (*AppointmentOut.Meta.fields, "precautions")
        read_only_fields = fields

    @extend_schema_field(StandingOut)
    def get_precautions(self, row: Appointment) -> dict[str, Any]:
        found = self.context.get("standings")
        if found is None:
            found = appointment_standings([row], now=self.context["view"].now())
        return dict(StandingOut(standing_shown(found[row.pk]), context=self.context).data)


class BookedOut(AppointmentOut):
    """An appointment, and for what its room has not enough fitting eyewear yet."""

    eyewear_lacking = serializers.SerializerMethodField()

    class Meta:
        model = Appointment
        fields = (*AppointmentOut.Meta.fields, "eyewear_lacking")
        read_only_fields = fields

    @extend_schema_field(EyewearLackingOut(many=True))
    def get_eyewear_lacking(self, row: Appointment) -> list[dict[str, Any]]:
        return eyewear_lacking(row, view=self.context["view"])
