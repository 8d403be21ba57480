"""Appointments: held, booked, moved, kept or not."""

from collections.abc import Collection
from typing import Any

from django.utils import timezone
from django_filters import rest_framework as filters
from drf_spectacular.utils import (
    OpenApiParameter,
    extend_schema,
    extend_schema_view,
)
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import KeyField
from core.api.filters import (
    InstantFilter,
    WholeNumberFilter,
    YesNoFilter,
    filter_names,
    parsed_query,
)
from core.api.idempotency import idempotent
from core.api.pagination import page_parameters
from core.api.preconditions import expected_version
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from courses.api.appointment_answers import (
    AppointmentOut,
    BookedOut,
    TooEarlyOut,
    WithPrecautionsOut,
)
from courses.api.slots import (
    SlotSearchOut,
    WhereAndWhenIn,
    answer,
    clinics_of,
    operators_of,
    wishes_of,
)
from courses.api.visits import VisitIn, visit_of
from courses.models import Appointment
from courses.selectors.appointments import held_at
from courses.selectors.moving import Elsewhere, slots_instead_of
from courses.selectors.precaution_attention import needing_attention
from courses.selectors.sequence import too_early, why_too_early
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
from courses.vocabulary import AppointmentStatus


class UnaskedQuery(serializers.Serializer[Any]):
    """Whether patients who were never asked count too."""

    unasked = serializers.BooleanField(default=False)


class ElsewhereIn(WhereAndWhenIn):
    """What the patient would accept instead. Without clinics: the one that was booked."""

    days = serializers.IntegerField(
        min_value=1,
        max_value=120,
        default=28,
        help_text="How many days after the advised day to search",
    )
    limit = serializers.IntegerField(min_value=1, max_value=20, default=5)


class AppointmentIn(VisitIn):
    """A visit to hold or book for a course."""

    course = KeyField()
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

    start = InstantFilter(field_name="starts_at", lookup_expr="gte")
    end = InstantFilter(field_name="starts_at", lookup_expr="lt")
    patient = WholeNumberFilter(field_name="course__patient")
    status = filters.MultipleChoiceFilter(choices=choices(AppointmentStatus))
    course = WholeNumberFilter()
    clinic = WholeNumberFilter()
    room = WholeNumberFilter()
    operator = WholeNumberFilter()
    laser = WholeNumberFilter()
    booked_by = WholeNumberFilter()
    held = YesNoFilter(
        method="only_held", help_text="Slots that are held and whose hold has not expired, or not"
    )

    def only_held(self, rows: Any, name: str, value: bool) -> Any:
        """Those that are held now, or all others."""
        held = held_at(timezone.now())
        return rows.filter(held) if value else rows.exclude(held)

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
    throttle_scopes = {"create": "booking", "offers": "slot_search"}
    conditional = ("confirm", "move", "cancel", "no_show", "arrive", "check_in")
    policy = {
        "list": "appointment.read",
        "retrieve": "appointment.read",
        "too_early": "appointment.read",
        "precautions": "precaution.read",
        "offers": "slot.search",
        "create": "appointment.write",
        "confirm": "appointment.write",
        "move": "appointment.write",
        "cancel": "appointment.write",
        "no_show": "appointment.write",
        "arrive": "appointment.arrive",
        "check_in": "appointment.arrive",
    }

    @extend_schema(
        request=AppointmentIn, responses={201: BookedOut}, summary="Hold or book a visit"
    )
    @idempotent(required=True)
    def create(self, request: Request) -> Response:
        """Book (or hold) a slot for a course; all it needs becomes busy, or nothing.

        For the front desk and the treating clinician of the clinic. 409 `slot_taken` carries
        fresh alternatives. Where the room has no fitting eyewear: said in `eyewear_lacking`, or
        422 `eyewear_missing` where the chain refuses such visits.
        """
        body = self.parse(AppointmentIn)
        appointment = appointment_book(
            course_id=body["course"],
            visit=visit_of(body, course_id=body["course"], actor=self.actor),
            actor=self.actor,
            now=self.now(),
            hold=Hold(body["hold_minutes"]) if "hold_minutes" in body else None,
            override_reason=body["override_reason"],
        )
        return self.present(appointment, status=201, serializer_class=BookedOut)

    @extend_schema(request=None, responses=BookedOut, summary="Book what is held")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def confirm(self, request: Request, pk: str) -> Response:
        """Turn a hold into a booking before it expires. For the front desk and clinicians."""
        return self._call(appointment_confirm, pk, shown_as=BookedOut)

    @extend_schema(request=VisitIn, responses=BookedOut, summary="Move an appointment")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def move(self, request: Request, pk: str) -> Response:
        """Give it another time or place; when that fails it stays as it was."""
        body = self.parse(VisitIn)
        course_id = self.get_object().course_id
        return self._call(
            appointment_move,
            pk,
            shown_as=BookedOut,
            visit=visit_of(body, course_id=course_id, actor=self.actor),
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

    @extend_schema(request=None, responses=WithPrecautionsOut, summary="Record an arrival")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def arrive(self, request: Request, pk: str) -> Response:
        """Record that the patient is here; the answer says what stands about precautions.

        For the front desk, operators and clinicians.
        """
        return self._call(appointment_arrive, pk, shown_as=WithPrecautionsOut)

    @extend_schema(request=None, responses=AppointmentOut, summary="Record that it can begin")
    @action(detail=True, methods=["post"], url_path="check-in")
    @idempotent(required=False)
    def check_in(self, request: Request, pk: str) -> Response:
        """Record that the formalities are done and the patient can be treated.

        Refused while an answer about precautions stops treatment: a treating clinician looks.
        """
        return self._call(appointment_check_in, pk)

    @extend_schema(
        parameters=[OpenApiParameter("unasked", bool, description="Also of patients never asked")],
        responses=WithPrecautionsOut(many=True),
        summary="List appointments that a precaution stands against",
    )
    @action(detail=False)
    def precautions(self, request: Request) -> Response:
        """Appointments to come whose patient's answers stop treatment, also since the booking.

        For the front desk, operators and clinicians. Takes the filters of the list.
        """
        now = self.now()
        unasked = parsed_query(UnaskedQuery, request, only={"unasked"})["unasked"]
        rows = self.filter_queryset(self.get_queryset())
        found = needing_attention(rows, unasked=unasked, now=now)
        page = self.paginate_queryset(self.get_queryset().filter(pk__in=found)) or []
        context = {**self.get_serializer_context(), "standings": found}
        shown = WithPrecautionsOut(page, many=True, context=context)
        return self.paged(shown.data)

    @extend_schema(
        responses=TooEarlyOut(many=True), summary="List appointments that have become too early"
    )
    @action(detail=False, url_path="too-early")
    def too_early(self, request: Request) -> Response:
        """Appointments to come before which the skin will not have healed, and why.

        A window was lengthened or is held, or the session before was moved. For the front desk,
        which offers another slot. Takes the filters of the list; name a clinic or a span.
        """
        now = self.now()
        rows = too_early(self.filter_queryset(self.get_queryset()), now=now)
        page = self.paginate_queryset(rows) or []
        context = {**self.get_serializer_context(), "told": why_too_early(page, now=now)}
        shown = TooEarlyOut(page, many=True, context=context)
        return self.paged(shown.data)

    @extend_schema(
        request=ElsewhereIn, responses=SlotSearchOut, summary="Find other slots for an appointment"
    )
    @action(detail=True, methods=["post"])
    def offers(self, request: Request, pk: str) -> Response:
        """Slots for the same visit from the earliest day that its course allows.

        For anyone who books. Nothing is kept: move the appointment to the one that is chosen.
        """
        body = self.parse(ElsewhereIn)
        wish = Elsewhere(
            clinics=clinics_of(body),
            wishes=wishes_of(body),
            operator_ids=operators_of(body),
            days=body["days"],
            limit=body["limit"],
        )
        appointment = self.get_object()
        self.shown = [appointment.pk]
        found = slots_instead_of(appointment, wish=wish, actor=self.actor, now=self.now())
        return self.show(SlotSearchOut, answer(found))

    def query_names(self) -> Collection[str]:
        names = super().query_names()
        if self.action in {"too_early", "precautions"}:
            names = {*names, *filter_names(self), *page_parameters(self)}
        return {*names, "unasked"} if self.action == "precautions" else names

    def _call(
        self, service: Any, pk: str, *, shown_as: Any = AppointmentOut, **values: Any
    ) -> Response:
        appointment = service(
            appointment_id=int(pk),
            actor=self.actor,
            now=self.now(),
            expected_version=expected_version(self.request),
            **values,
        )
        return self.present(appointment, serializer_class=shown_as)
