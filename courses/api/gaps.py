"""Gaps in the diary, filled from the waiting list."""

from collections.abc import Collection
from typing import Any

from django.db.models import Prefetch
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.filters import WholeNumberFilter
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import END_FIRST, BasisOut
from core.api.viewsets import ListMixin, RetrieveMixin
from core.spans import Span
from core.vocabulary import choices
from courses.api.base import FreeReasonIn
from courses.api.slots import SegmentOut, SlotOut
from courses.models import Appointment, Gap, GapOffer
from courses.science.basis import CAUTION
from courses.selectors.appointments import stands
from courses.selectors.gaps import (
    Candidate,
    OpenTime,
    gap_candidates,
    opened_by,
    require_not_over,
    waiting_at,
)
from courses.selectors.visits import timeline_json
from courses.services.gaps import (
    gap_offer_accept,
    gap_offer_decline,
    gap_offer_start,
    gap_withdraw,
)
from courses.slots import SLOT_BASIS, slot_json
from courses.vocabulary import AppointmentStatus, GapStatus, OfferStatus
from devices.models import Laser

MAX_DAYS = 14


class GapIn(serializers.Serializer[Any]):
    """Time that has come free: at a clinic from `start` to `end`, or that of an `appointment`.

    With `laser` only on that one; an appointment names its own.
    """

    appointment = VisibleRelatedField(
        queryset=Appointment.objects.all(),
        required=False,
        help_text="One that does not stand any more (cancelled, no-show)",
    )
    clinic = VisibleRelatedField(queryset=Clinic.objects.all(), required=False)
    start = AwareDateTimeField(required=False)
    end = AwareDateTimeField(required=False, help_text="Excluded.")
    laser = VisibleRelatedField(queryset=Laser.objects.all(), required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        named = {"clinic", "start", "end"} & attrs.keys()
        if "appointment" in attrs:
            self._check_appointment(attrs, named | ({"laser"} & attrs.keys()))
        elif len(named) < 3:
            raise serializers.ValidationError(
                {"clinic": "Give clinic, start and end, or an appointment."}, code="either"
            )
        elif attrs["end"] <= attrs["start"]:
            raise serializers.ValidationError({"end": END_FIRST}, code="order")
        elif (attrs["end"] - attrs["start"]).days >= MAX_DAYS:
            raise serializers.ValidationError(
                {"end": f"A gap is at most {MAX_DAYS} days long."}, code="too_long"
            )
        return attrs

    def _check_appointment(self, attrs: dict[str, Any], named: set[str]) -> None:
        if named:
            raise serializers.ValidationError(
                {"appointment": "It says itself where and when."}, code="either"
            )
        if stands(attrs["appointment"], now=self.context["view"].now()):
            raise serializers.ValidationError(
                {"appointment": "It stands: nothing has come free."}, code="stands"
            )


class GapOfferingIn(GapIn):
    """A gap to offer to one after the other."""

    hold_minutes = serializers.IntegerField(
        min_value=5,
        max_value=24 * 60,
        default=30,
        help_text="How long each has to answer; the slot is held meanwhile",
    )


class CandidateOut(serializers.Serializer[Any]):
    """Somebody who could come, and the best slot for them.

    `overdue_days` counts from the advised day to the slot. `replaces`: the later appointment
    that this visit would be instead of.
    """

    entry = serializers.IntegerField()
    course = serializers.IntegerField()
    patient = serializers.IntegerField()
    overdue_days = serializers.IntegerField()
    replaces = serializers.IntegerField(allow_null=True)
    segments = SegmentOut(many=True)
    slot = SlotOut()


class CandidatesIn(GapIn):
    """A gap, and how many candidates to show."""

    limit = serializers.IntegerField(min_value=1, max_value=50, default=10)


class CandidatesOut(serializers.Serializer[Any]):
    """Who fits, most overdue first; `waiting`: how many wait for this clinic."""

    waiting = serializers.IntegerField()
    candidates = CandidateOut(many=True)
    basis = BasisOut(many=True)
    caution = serializers.CharField()


class GapOfferOut(serializers.ModelSerializer[GapOffer]):
    """One patient's turn. `appointment` is the hold, then the booking.

    `replaces`: the later appointment that moves here when the offer is accepted.
    """

    course = serializers.IntegerField(source="entry.course_id", read_only=True)
    patient = serializers.IntegerField(source="entry.course.patient_id", read_only=True)
    appointment = serializers.SerializerMethodField()

    class Meta:
        model = GapOffer
        fields = (
            "id",
            "version",
            "gap",
            "position",
            "entry",
            "course",
            "patient",
            "overdue_days",
            "status",
            "status_reason",
            "appointment",
            "replaces",
            "offered_at",
            "expires_at",
        )
        read_only_fields = fields

    def get_appointment(self, offer: GapOffer) -> int | None:
        hold = offer.appointment
        moved = hold is not None and hold.status == AppointmentStatus.CANCELLED
        if offer.status == OfferStatus.ACCEPTED and moved:
            return offer.replaces_id
        return offer.appointment_id


class GapOut(serializers.ModelSerializer[Gap]):
    """A gap and the turns of those it is offered to."""

    start = serializers.DateTimeField(source="period.lower", read_only=True)
    end = serializers.DateTimeField(source="period.upper", read_only=True)
    offers = GapOfferOut(many=True, read_only=True)

    class Meta:
        model = Gap
        fields = (
            "id",
            "version",
            "clinic",
            "start",
            "end",
            "laser",
            "hold_minutes",
            "status",
            "started_by",
            "offers",
        )
        read_only_fields = fields


OFFERS = GapOffer.objects.select_related("entry__course", "appointment")


class GapFilter(filters.FilterSet):
    """Where and in which state."""

    clinic = WholeNumberFilter()
    status = filters.MultipleChoiceFilter(choices=choices(GapStatus))

    class Meta:
        model = Gap
        fields = ("clinic",)


class GapOfferFilter(filters.FilterSet):
    """Of which gap, to whom and in which state."""

    gap = WholeNumberFilter()
    entry = WholeNumberFilter()
    course = WholeNumberFilter(field_name="entry__course")
    clinic = WholeNumberFilter(field_name="gap__clinic")
    status = filters.MultipleChoiceFilter(choices=choices(OfferStatus))

    class Meta:
        model = GapOffer
        fields = ("gap", "entry")


@extend_schema_view(
    list=extend_schema(summary="List gaps"),
    retrieve=extend_schema(summary="Show a gap and its offers"),
)
class GapViewSet(ListMixin, RetrieveMixin):
    """Time that has come free, offered to those who wait."""

    queryset = Gap.objects.prefetch_related(Prefetch("offers", OFFERS.order_by("position")))
    serializer_class = GapOut
    filterset_class = GapFilter
    keyset = ("-id",)
    throttle_scopes = {"candidates": "slot_search", "offers": "booking"}
    conditional = ("withdraw",)
    policy = {
        "list": "gap.read",
        "retrieve": "gap.read",
        "candidates": "gap.read",
        "offers": "gap.write",
        "withdraw": "gap.write",
    }
    shows = "courses.GapOffer"

    def shown_keys(self) -> Collection[int]:
        """The offers of the gap that the address names, or of those of the page."""
        gaps = [row.pk for row in getattr(self.paginator, "rows", ())] or [self.kwargs.get("pk")]
        return list(GapOffer.objects.filter(gap__in=gaps).values_list("pk", flat=True))

    @extend_schema(
        request=CandidatesIn, responses=CandidatesOut, summary="Find who could fill a gap"
    )
    @action(detail=False, methods=["post"])
    def candidates(self, request: Request) -> Response:
        """Who waits, is ready and fits by ink, laser, length, clinic and wishes.

        Most overdue first. Nothing is kept. For the front desk and clinicians.
        """
        body = self.parse(CandidatesIn)
        opened, now = open_time(body), self.now()
        require_not_over(opened, now=now)
        found = gap_candidates(opened, actor=self.actor, now=now, limit=body["limit"])
        self.shows, self.shown = "courses.WaitingListEntry", [one.entry.pk for one in found]
        told = {
            "waiting": waiting_at(opened.clinic_id, actor=self.actor).count(),
            "candidates": [_shown(one) for one in found],
            "basis": SLOT_BASIS,
            "caution": CAUTION,
        }
        return self.show(CandidatesOut, told)

    @extend_schema(
        request=GapOfferingIn, responses={201: GapOut}, summary="Offer a gap to those who wait"
    )
    @action(detail=False, methods=["post"])
    @idempotent(required=True)
    def offers(self, request: Request) -> Response:
        """Hold the slot for the most overdue who fits; on a no or in silence for the next.

        For the front desk and the treating clinician of the clinic. Telling the patient is the
        caller's. 409 `gap_fits_nobody` when nobody fits.
        """
        body = self.parse(GapOfferingIn)
        gap = gap_offer_start(
            opened=open_time(body),
            hold_minutes=body["hold_minutes"],
            actor=self.actor,
            now=self.now(),
        )
        return self.present(self.get_queryset().get(pk=gap.pk), status=201)

    @extend_schema(request=None, responses=GapOut, summary="Stop offering a gap")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def withdraw(self, request: Request, pk: str) -> Response:
        """Free what is held and ask nobody else. For the front desk and clinicians."""
        gap = gap_withdraw(
            gap_id=int(pk),
            actor=self.actor,
            now=self.now(),
            expected_version=expected_version(request),
        )
        return self.present(self.get_queryset().get(pk=gap.pk))


@extend_schema_view(
    list=extend_schema(summary="List offers of gaps"),
    retrieve=extend_schema(summary="Show an offer of a gap"),
)
class GapOfferViewSet(ListMixin, RetrieveMixin):
    """Offers of gaps, each to one patient."""

    queryset = OFFERS
    serializer_class = GapOfferOut
    filterset_class = GapOfferFilter
    keyset = ("-id",)
    conditional = ("accept", "decline")
    policy = {
        "list": "gap.read",
        "retrieve": "gap.read",
        "accept": "gap.write",
        "decline": "gap.write",
    }

    @extend_schema(request=None, responses=GapOfferOut, summary="Book what is offered")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def accept(self, request: Request, pk: str) -> Response:
        """Turn the hold into a booking, or move the later visit there. 409 once it has expired."""
        return self._answer(gap_offer_accept, pk)

    @extend_schema(request=FreeReasonIn, responses=GapOfferOut, summary="Decline what is offered")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def decline(self, request: Request, pk: str) -> Response:
        """The slot is held for the next in turn at once. For the front desk and clinicians."""
        return self._answer(gap_offer_decline, pk, reason=self.parse(FreeReasonIn)["reason"])

    def _answer(self, service: Any, pk: str, **values: Any) -> Response:
        offer = service(
            offer_id=int(pk),
            actor=self.actor,
            now=self.now(),
            expected_version=expected_version(self.request),
            **values,
        )
        return self.present(self.get_queryset().get(pk=offer.pk))


def open_time(body: dict[str, Any]) -> OpenTime:
    """The time in a validated body."""
    if "appointment" in body:
        return opened_by(body["appointment"])
    laser = body.get("laser")
    return OpenTime(
        clinic_id=body["clinic"].pk,
        span=Span(body["start"], body["end"]),
        laser_id=laser.pk if laser else None,
    )


def _shown(one: Candidate) -> dict[str, Any]:
    return {
        "entry": one.entry.pk,
        "course": one.entry.course_id,
        "patient": one.entry.course.patient_id,
        "overdue_days": one.overdue_days,
        "replaces": one.replaces.pk if one.replaces else None,
        "segments": timeline_json(one.timeline),
        "slot": slot_json(one.slot),
    }
