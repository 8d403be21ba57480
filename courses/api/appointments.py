"""Appointments: held, booked, moved, kept or not."""

from typing import Any

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic, Room, StaffMember
from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.viewsets import ListMixin, RetrieveMixin
from courses.api.slots import SegmentOut, TechniqueIn
from courses.models import Appointment, Course
from courses.selectors.plans import Technique
from courses.selectors.visits import Place, Visit, planned_timeline, timeline_from_json
from courses.services.booking import (
    Hold,
    appointment_arrive,
    appointment_book,
    appointment_cancel,
    appointment_check_in,
    appointment_confirm,
    appointment_move,
    appointment_no_show,
)
from courses.slots import Timeline
from courses.vocabulary import AppointmentStatus
from devices.models import Handpiece, Laser


class AppointmentOut(serializers.ModelSerializer[Appointment]):
    """A held or booked session. `time_zone` is the clinic's."""

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
        )
        read_only_fields = fields


class VisitIn(serializers.Serializer[Any]):
    """When, where, with whom and what: as a slot has it.

    Without `segments` or `minutes` the length is computed from the course and `technique`.
    """

    start = AwareDateTimeField(help_text="On a 5-minute mark")
    clinic = VisibleRelatedField(queryset=Clinic.objects.all())
    room = VisibleRelatedField(queryset=Room.objects.all())
    operator = VisibleRelatedField(queryset=StaffMember.objects.all())
    laser = VisibleRelatedField(queryset=Laser.objects.all())
    handpieces = serializers.ListField(
        child=VisibleRelatedField(queryset=Handpiece.objects.all()), min_length=1, max_length=8
    )
    wavelengths_nm = serializers.ListField(
        child=serializers.IntegerField(min_value=180, max_value=20000), min_length=1, max_length=8
    )
    segments: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=SegmentOut(), required=False, min_length=1, max_length=60
    )
    minutes = serializers.IntegerField(min_value=5, max_value=720, required=False)
    technique = TechniqueIn(required=False)
    override_reason = serializers.CharField(
        max_length=400,
        required=False,
        allow_blank=True,
        default="",
        help_text="A treating clinician's reason to book before the healing window closes",
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if len([name for name in ("segments", "minutes", "technique") if name in attrs]) > 1:
            raise serializers.ValidationError(
                {"segments": "Give one of segments, minutes and technique."}, code="either"
            )
        return attrs


class AppointmentIn(VisitIn):
    """A visit to hold or book for a course."""

    course = VisibleRelatedField(queryset=Course.objects.all())
    hold_minutes = serializers.IntegerField(
        min_value=1,
        max_value=30,
        required=False,
        help_text="Keep the slot this long while the patient decides, instead of booking it",
    )


class ReasonIn(serializers.Serializer[Any]):
    """Why."""

    reason = serializers.CharField(max_length=400, allow_blank=True, default="")


class AppointmentFilter(filters.FilterSet):
    """Of whom, where, when and in which state."""

    start = filters.IsoDateTimeFilter(field_name="starts_at", lookup_expr="gte")
    end = filters.IsoDateTimeFilter(field_name="starts_at", lookup_expr="lt")
    patient = filters.NumberFilter(field_name="course__patient")
    status = filters.MultipleChoiceFilter(
        choices=[(status.value, status.value) for status in AppointmentStatus]
    )
    course = filters.NumberFilter()
    clinic = filters.NumberFilter()
    room = filters.NumberFilter()
    operator = filters.NumberFilter()
    laser = filters.NumberFilter()

    class Meta:
        model = Appointment
        fields = ("course", "clinic", "room", "operator", "laser")


@extend_schema_view(
    list=extend_schema(summary="List appointments"),
    retrieve=extend_schema(summary="Show an appointment"),
)
class AppointmentViewSet(ListMixin, RetrieveMixin):
    """Appointments of the chain."""

    queryset = Appointment.objects.select_related("clinic", "course").prefetch_related("handpieces")
    serializer_class = AppointmentOut
    filterset_class = AppointmentFilter
    keyset = ("starts_at", "id")
    # Slots must not be hoarded: holding and booking have a quota of their own.
    throttle_scopes = {"create": "booking"}
    policy = {
        "list": "appointment.read",
        "retrieve": "appointment.read",
        "create": "appointment.write",
        "confirm": "appointment.write",
        "move": "appointment.write",
        "cancel": "appointment.write",
        "no_show": "appointment.write",
        "arrive": "appointment.arrive",
        "check_in": "appointment.arrive",
    }

    @extend_schema(
        request=AppointmentIn, responses={201: AppointmentOut}, summary="Hold or book a visit"
    )
    @idempotent(required=True)
    def create(self, request: Request) -> Response:
        """Book (or hold) a slot for a course; all it needs becomes busy, or nothing.

        For the front desk and the treating clinician of the clinic. 409 `slot_taken` carries
        fresh alternatives.
        """
        body = self.parse(AppointmentIn)
        appointment = appointment_book(
            course_id=body["course"].pk,
            visit=self._visit(body, course_id=body["course"].pk),
            actor=self.actor,
            now=self.now(),
            hold=Hold(body["hold_minutes"]) if "hold_minutes" in body else None,
            override_reason=body["override_reason"],
        )
        return self.present(appointment, status=201)

    @extend_schema(request=None, responses=AppointmentOut, summary="Book what is held")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def confirm(self, request: Request, pk: str) -> Response:
        """Turn a hold into a booking before it expires. For the front desk and clinicians."""
        return self._call(appointment_confirm, pk)

    @extend_schema(request=VisitIn, responses=AppointmentOut, summary="Move an appointment")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def move(self, request: Request, pk: str) -> Response:
        """Give it another time or place; when that fails it stays as it was."""
        body = self.parse(VisitIn)
        course_id = self.get_object().course_id
        return self._call(
            appointment_move,
            pk,
            visit=self._visit(body, course_id=course_id),
            override_reason=body["override_reason"],
        )

    @extend_schema(request=ReasonIn, responses=AppointmentOut, summary="Cancel an appointment")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def cancel(self, request: Request, pk: str) -> Response:
        """Cancel it and free all that it kept busy. For the front desk and clinicians."""
        return self._call(appointment_cancel, pk, reason=self.parse(ReasonIn)["reason"])

    @extend_schema(request=ReasonIn, responses=AppointmentOut, summary="Record a no-show")
    @action(detail=True, methods=["post"], url_path="no-show")
    @idempotent(required=False)
    def no_show(self, request: Request, pk: str) -> Response:
        """Record, once the visit has begun, that the patient did not come."""
        return self._call(appointment_no_show, pk, reason=self.parse(ReasonIn)["reason"])

    @extend_schema(request=None, responses=AppointmentOut, summary="Record an arrival")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def arrive(self, request: Request, pk: str) -> Response:
        """Record that the patient is here. For the front desk, operators and clinicians."""
        return self._call(appointment_arrive, pk)

    @extend_schema(request=None, responses=AppointmentOut, summary="Record that it can begin")
    @action(detail=True, methods=["post"], url_path="check-in")
    @idempotent(required=False)
    def check_in(self, request: Request, pk: str) -> Response:
        """Record that the formalities are done and the patient can be treated."""
        return self._call(appointment_check_in, pk)

    def _call(self, service: Any, pk: str, **values: Any) -> Response:
        appointment = service(
            appointment_id=int(pk),
            actor=self.actor,
            now=self.now(),
            expected_version=expected_version(self.request),
            **values,
        )
        return self.present(appointment)

    def _visit(self, body: dict[str, Any], *, course_id: int) -> Visit:
        return Visit(
            starts_at=body["start"],
            timeline=self._timeline(body, course_id=course_id),
            place=Place(
                clinic_id=body["clinic"].pk,
                room_id=body["room"].pk,
                operator_id=body["operator"].pk,
                laser_id=body["laser"].pk,
                handpiece_ids=tuple(sorted(one.pk for one in body["handpieces"])),
            ),
            wavelengths_nm=tuple(sorted(set(body["wavelengths_nm"]))),
        )

    def _timeline(self, body: dict[str, Any], *, course_id: int) -> Timeline:
        if "segments" in body:
            return timeline_from_json(body["segments"])
        if "minutes" in body:
            return Timeline.whole_visit(body["minutes"])
        technique = Technique(**body.get("technique", {}))
        return planned_timeline(course_id, technique=technique, actor=self.actor)
