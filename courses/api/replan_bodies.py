"""Bodies that re-plans are asked for with: what is broken, and what may be done about it."""

from datetime import datetime, timedelta
from typing import Any

from rest_framework import serializers

from clinics.models import Clinic, Room, StaffMember
from core.api.fields import AwareDateTimeField, KeyField, VisibleRelatedField, VisibleRowsField
from core.api.serializers import END_FIRST
from core.spans import Span
from core.vocabulary import choices
from courses.api.base import FreeReasonIn
from courses.selectors.replanning.outages import Outage
from courses.selectors.replanning.problem import MAX_DAYS, MAX_HORIZON_DAYS
from courses.services.replans import DEFAULT_SECONDS, MAX_SECONDS
from courses.vocabulary import OutageKind, UnplacedChoice
from devices.models import Handpiece, Laser

MAX_OUTAGES = 50
MAX_CLINICS = 100
MAX_POINTS = 1000
SUBJECTS = tuple(kind.value for kind in OutageKind)


class OutageIn(serializers.Serializer[Any]):
    """One laser, operator, room, handpiece or clinic that is not to be had.

    From `start` (now when left out) to `end`. It need not be recorded elsewhere.
    """

    laser = VisibleRelatedField(queryset=Laser.objects.all(), required=False)
    operator = VisibleRelatedField(queryset=StaffMember.objects.all(), required=False)
    room = VisibleRelatedField(queryset=Room.objects.all(), required=False)
    handpiece = VisibleRelatedField(queryset=Handpiece.objects.all(), required=False)
    clinic = VisibleRelatedField(queryset=Clinic.objects.all(), required=False)
    start = AwareDateTimeField(required=False, help_text="Now when left out")
    end = AwareDateTimeField(help_text="Excluded. Until when to reckon with it")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        named = [name for name in SUBJECTS if name in attrs]
        if len(named) != 1:
            raise serializers.ValidationError(
                {"laser": f"Give one of {', '.join(SUBJECTS)}."}, code="either"
            )
        now: datetime = self.context["view"].now()
        start = attrs.setdefault("start", now)
        if attrs["end"] <= start:
            raise serializers.ValidationError({"end": END_FIRST}, code="order")
        if attrs["end"] <= now:
            raise serializers.ValidationError({"end": "That time is over."}, code="past")
        if attrs["end"] - now > timedelta(days=MAX_HORIZON_DAYS):
            raise serializers.ValidationError(
                {"end": f"It ends at most {MAX_HORIZON_DAYS} days from now."}, code="too_long"
            )
        return attrs


class OutagesIn(serializers.Serializer[Any]):
    """What is not to be had, together."""

    outages: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=OutageIn(), min_length=1, max_length=MAX_OUTAGES
    )


class ReplanPolicyIn(serializers.Serializer[Any]):
    """What a deviation costs, in whole points. What is left out keeps its default."""

    advised_day = serializers.IntegerField(
        min_value=0, max_value=MAX_POINTS, required=False, help_text="A day from the advised one"
    )
    old_day = serializers.IntegerField(
        min_value=0, max_value=MAX_POINTS, required=False, help_text="A day from the old one"
    )
    old_half_hour = serializers.IntegerField(
        min_value=0, max_value=MAX_POINTS, required=False, help_text="Half an hour of wall time"
    )
    other_clinic = serializers.IntegerField(min_value=0, max_value=MAX_POINTS, required=False)
    new_operator = serializers.IntegerField(
        min_value=0, max_value=MAX_POINTS, required=False, help_text="Somebody not known yet"
    )
    ink = serializers.IntegerField(
        min_value=0, max_value=MAX_POINTS, required=False, help_text="All of the ink unserved"
    )
    long_wait_day = serializers.IntegerField(
        min_value=0, max_value=MAX_POINTS, required=False, help_text="A day beyond `wait_days`"
    )
    wait_days = serializers.IntegerField(min_value=0, max_value=400, required=False)
    worst_delay = serializers.IntegerField(
        min_value=0,
        max_value=MAX_POINTS,
        required=False,
        help_text="A day of whoever waits longest",
    )
    start_step_minutes = serializers.ChoiceField(choices=[5, 10, 15, 20, 30, 60], required=False)


class EffortIn(serializers.Serializer[Any]):
    """How much work it may be. The same seed gives the same plan, unless time ends it."""

    seed = serializers.IntegerField(min_value=0, max_value=2**31 - 1, required=False)
    seconds = serializers.IntegerField(
        min_value=5,
        max_value=MAX_SECONDS,
        required=False,
        help_text=f"At most so long; {DEFAULT_SECONDS} when left out",
    )


class ReplanIn(OutagesIn, EffortIn):
    """New slots for all visits that are hit: where, until when, and by what points."""

    clinics = VisibleRowsField(
        queryset=Clinic.objects.all(),
        required=False,
        max_length=MAX_CLINICS,
        help_text="Clinics that patients may be sent to besides their own",
    )
    days = serializers.IntegerField(
        min_value=1,
        max_value=MAX_DAYS,
        default=28,
        help_text="How many days after the last visit that is hit to search",
    )
    notice_hours = serializers.IntegerField(
        min_value=0,
        max_value=336,
        default=24,
        help_text="How long before a new time the patient must know of it",
    )
    policy = ReplanPolicyIn(required=False)
    reason = serializers.CharField(max_length=200, allow_blank=True, default="")


class ApplyIn(FreeReasonIn):
    """What becomes of visits without a new slot; when left out they stay as they are."""

    unplaced = serializers.ChoiceField(choices=choices(UnplacedChoice), required=False)


class SettleIn(FreeReasonIn):
    """Visits without a new slot, and what becomes of them."""

    appointments = serializers.ListField(child=KeyField(), min_length=1, max_length=2000)
    choice = serializers.ChoiceField(choices=choices(UnplacedChoice))


def outages_in(body: dict[str, Any]) -> list[Outage]:
    """The outages in a validated body."""
    return [
        Outage(kind, one[kind.value].pk, Span(one["start"], one["end"]))
        for one in body["outages"]
        for kind in OutageKind
        if kind.value in one
    ]
