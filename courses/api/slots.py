"""Slot search: ranked slots for a course or a plain description, or what bound."""

from collections.abc import Iterator
from datetime import time
from typing import Any

from django.http import StreamingHttpResponse
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic, StaffMember
from core.api.fields import (
    AwareDateTimeField,
    KeyField,
    VisibleRelatedField,
    VisibleRowsField,
    WallTimeField,
    unseen,
    visible_rows,
)
from core.api.ndjson import MEDIA_TYPE, NdjsonRenderer, by_line, wants_lines
from core.api.schema import ProblemOut
from core.api.serializers import BasisOut, SpanIn, span_of
from core.api.views import FallowView
from core.vocabulary import choices
from courses.models import Appointment, Course
from courses.science.basis import CAUTION
from courses.selectors.plans import Described, Technique
from courses.selectors.slots import Found, SearchOrder, slots_for, slots_step_by_step
from courses.selectors.spacing import stored_follow
from courses.selectors.visits import timeline_json
from courses.slots import (
    MAX_CLINICS,
    MAX_HORIZON_DAYS,
    SLOT_BASIS,
    Slot,
    SlotRank,
    TimeWish,
    reason_json,
    slot_json,
)
from courses.vocabulary import InkColour, SkinType, TreatmentRole

# An offset is refused: these are times of whichever clinic is looked at.


class ClinicWishIn(serializers.Serializer[Any]):
    """A clinic the patient accepts."""

    clinic = KeyField()
    preference = serializers.FloatField(min_value=0, max_value=1, default=1.0)


class ClinicWishesIn(serializers.ListSerializer[Any]):
    """The clinics the patient accepts; one query for all."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(child=ClinicWishIn(), **kwargs)

    def to_internal_value(self, data: Any) -> list[Any]:
        wishes = super().to_internal_value(data)
        keys = [wish["clinic"] for wish in wishes]
        rows = visible_rows(Clinic.objects.all(), keys, actor=self.context["request"].actor)
        if not rows.keys() >= {*keys}:
            raise serializers.ValidationError(
                [{} if key in rows else {"clinic": [unseen(key)]} for key in keys]
            )
        return [{**wish, "clinic": rows[wish["clinic"]]} for wish in wishes]


class TimeWishIn(serializers.Serializer[Any]):
    """Weekdays and local times at which the patient can come."""

    weekdays = serializers.ListField(
        child=serializers.IntegerField(min_value=1, max_value=7),
        min_length=1,
        max_length=7,
        default=list(range(1, 8)),
        help_text="ISO 8601: 1 is Monday",
    )
    since = WallTimeField(default=time(0))
    until = WallTimeField(default=time(0), help_text="00:00 is the end of the day")


class TechniqueIn(serializers.Serializer[Any]):
    """How the length of the visit is reckoned: assumptions for the diary, not settings to use."""

    passes = serializers.IntegerField(min_value=1, max_value=10, default=1)
    spot_mm = serializers.FloatField(min_value=0.5, max_value=20, default=4.0)
    rate_hz = serializers.FloatField(min_value=0.1, max_value=50, default=5.0)
    clearing_agent = serializers.BooleanField(default=False)


class ColourShareIn(serializers.Serializer[Any]):
    """A visible colour and its share of the visible area."""

    colour = serializers.ChoiceField(choices=choices(InkColour))
    share = serializers.FloatField(min_value=0.001, max_value=1)


class DescriptionIn(serializers.Serializer[Any]):
    """A visit of nobody in particular."""

    skin_type = serializers.ChoiceField(choices=choices(SkinType))
    area_cm2 = serializers.FloatField(min_value=0.1, max_value=20000)
    parts: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=ColourShareIn(), min_length=1, max_length=24
    )


class WhereAndWhenIn(serializers.Serializer[Any]):
    """What the patient accepts: clinics, times, people. Left out: any; an empty list is refused."""

    clinics = ClinicWishesIn(required=False, min_length=1, max_length=MAX_CLINICS)
    wishes: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=TimeWishIn(), required=False, min_length=1, max_length=20
    )
    operators = VisibleRowsField(
        queryset=StaffMember.objects.all(),
        required=False,
        min_length=1,
        max_length=50,
        help_text="Only these people",
    )


class VisitLengthIn(serializers.Serializer[Any]):
    """How long a visit is and what it needs, where that is not to follow from the course."""

    technique = TechniqueIn(required=False)
    minutes = serializers.IntegerField(
        min_value=5,
        max_value=720,
        required=False,
        help_text="A whole visit of this length instead of the computed timeline",
    )
    wavelengths_nm = serializers.ListField(
        child=serializers.IntegerField(min_value=180, max_value=20000),
        required=False,
        min_length=1,
        max_length=8,
        help_text="All of these must be emitted, instead of what the ink needs",
    )


class SlotSearchIn(WhereAndWhenIn, VisitLengthIn, SpanIn):
    """What to search for, between `start` and `end`. Without clinics: every clinic."""

    end = AwareDateTimeField(
        help_text=f"Excluded; at most {MAX_HORIZON_DAYS} days after the start, and not in the past"
    )
    course = VisibleRelatedField(queryset=Course.objects.all(), required=False)
    description = DescriptionIn(required=False)
    after = VisibleRelatedField(
        queryset=Appointment.objects.select_related("clinic"),
        required=False,
        help_text="An appointment of the course: only slots that leave the skin its time after it",
    )
    limit = serializers.IntegerField(min_value=1, max_value=50, default=10)
    rank = serializers.ChoiceField(
        choices=choices(SlotRank),
        default=SlotRank.BEST.value,
        help_text="Best first, by the chain's weights, or the earliest anywhere first",
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if ("course" in attrs) == ("description" in attrs):
            raise serializers.ValidationError(
                {"course": "Give either a course or a description."}, code="either"
            )
        if "after" in attrs and attrs["after"].course_id != getattr(attrs.get("course"), "pk", 0):
            raise serializers.ValidationError(
                {"after": "This is no appointment of the course."}, code="other_course"
            )
        return attrs


class ReasonOut(serializers.Serializer[Any]):
    """Why: a stable code, a sentence and its facts."""

    code = serializers.CharField()
    detail = serializers.CharField()
    data = serializers.DictField()  # type: ignore[assignment]


class SegmentOut(serializers.Serializer[Any]):
    """Some minutes of a visit, and what they keep busy."""

    minutes = serializers.IntegerField()
    label = serializers.CharField()  # type: ignore[assignment]
    roles = serializers.ListField(child=serializers.ChoiceField(choices=choices(TreatmentRole)))


class ServedOut(serializers.Serializer[Any]):
    """A need and the wavelength that serves it."""

    need = serializers.CharField()
    wavelength_nm = serializers.IntegerField()


class ScorePartOut(serializers.Serializer[Any]):
    """One part of a slot's score, 0..1, and the weight that the chain gives it."""

    name = serializers.CharField()
    value = serializers.FloatField()
    weight = serializers.FloatField()


class SlotOut(serializers.Serializer[Any]):
    """A slot: when, where, with whom and what, and why it ranks as it does."""

    start = serializers.DateTimeField()
    end = serializers.DateTimeField()
    clinic = serializers.IntegerField()
    room = serializers.IntegerField()
    operator = serializers.IntegerField()
    laser = serializers.IntegerField()
    handpieces = serializers.ListField(child=serializers.IntegerField())
    wavelengths_nm = serializers.ListField(child=serializers.IntegerField())
    serves = ServedOut(many=True)
    left_out = serializers.ListField(child=serializers.CharField())
    score = serializers.FloatField()
    score_parts = ScorePartOut(many=True)
    reasons = ReasonOut(many=True)


class NeedOut(serializers.Serializer[Any]):
    """What one colour needs."""

    need = serializers.CharField()
    wavelengths_nm = serializers.ListField(child=serializers.IntegerField())
    share = serializers.FloatField()


class SlotSearchOut(serializers.Serializer[Any]):
    """Ranked slots, or (without any) the conditions that bound."""

    earliest_on = serializers.DateField(allow_null=True)
    advised_on = serializers.DateField(allow_null=True)
    minutes = serializers.IntegerField()
    segments = SegmentOut(many=True)
    needs = NeedOut(many=True)
    slots = SlotOut(many=True)
    bounds = ReasonOut(many=True)
    basis = BasisOut(many=True)
    caution = serializers.CharField()


class SlotSearchLineOut(serializers.Serializer[Any]):
    """One line of a search that is answered line by line; it has exactly one member."""

    slots = SlotOut(many=True, required=False, help_text="Slots that were not told before")
    answer = SlotSearchOut(
        required=False, help_text="The last line: what the search answers as one document"
    )
    problem = ProblemOut(required=False, help_text="The last line, when the search failed midway")


class SlotSearchView(FallowView):
    """Finds slots. Nothing is stored or kept."""

    policy = {"post": "slot.search"}
    shows = "courses.Course"
    throttle_scope = "slot_search"
    renderer_classes = (JSONRenderer, NdjsonRenderer)

    @extend_schema(
        request=SlotSearchIn,
        responses={
            (200, JSONRenderer.media_type): SlotSearchOut,
            (200, MEDIA_TYPE): SlotSearchLineOut,
        },
        summary="Search for slots",
    )
    def post(self, request: Request) -> Response | StreamingHttpResponse:
        """Slots that respect healing, ink, laser, room, person and the patient's wishes.

        For anyone who books. The best or (with a `rank` of `earliest`) the earliest anywhere
        within many clinics is one search: at most 250 clinics, without any every clinic of the
        chain. When there is no slot, `bounds` says which conditions bound.

        Accept `application/x-ndjson` to be told good slots, clinic after clinic, while others
        are still being looked at: the clinics that the patient prefers come first, every line is
        a JSON object, and the last one is the complete answer with the final ranking. What is
        wrong with the request is told by an ordinary problem document before the first line.
        """
        body = self.parse(SlotSearchIn)
        target = body["course"].pk if "course" in body else described(body["description"])
        order, now = order_of(body), self.now()
        self.shown = [body["course"].pk] if "course" in body else []
        if wants_lines(request):
            steps = slots_step_by_step(target, order=order, actor=self.actor, now=now)
            return by_line(lines_of(steps), request=request)
        found = slots_for(target, order=order, actor=self.actor, now=now)
        return self.show(SlotSearchOut, answer(found))


def lines_of(steps: Iterator[tuple[Slot, ...] | Found]) -> Iterator[dict[str, Any]]:
    """What SlotSearchLineOut shows, a line for each step that found anything."""
    for step in steps:
        if isinstance(step, Found):
            yield {"answer": SlotSearchOut(answer(step)).data}
        elif step:
            yield {"slots": SlotOut([slot_json(slot) for slot in step], many=True).data}


def order_of(body: dict[str, Any]) -> SearchOrder:
    """The order in a validated body."""
    return SearchOrder(
        span=span_of(body),
        clinics=clinics_of(body),
        wishes=wishes_of(body),
        operator_ids=operators_of(body),
        technique=Technique(**body.get("technique", {})),
        minutes=body.get("minutes"),
        wavelengths_nm=tuple(body.get("wavelengths_nm", ())),
        follows=stored_follow(body["after"]) if "after" in body else None,
        limit=body["limit"],
        rank=SlotRank(body["rank"]),
    )


def clinics_of(body: dict[str, Any]) -> dict[int, float]:
    """The accepted clinics in a validated body, with the preference for each."""
    return {wish["clinic"].pk: wish["preference"] for wish in body.get("clinics", ())}


def wishes_of(body: dict[str, Any]) -> tuple[TimeWish, ...]:
    """The times at which the patient can come, from a validated body."""
    return tuple(
        TimeWish(frozenset(wish["weekdays"]), wish["since"], wish["until"])
        for wish in body.get("wishes", ())
    )


def operators_of(body: dict[str, Any]) -> frozenset[int] | None:
    """The only people in a validated body; None for anyone."""
    return frozenset(one.pk for one in body.get("operators", ())) or None


def described(body: dict[str, Any]) -> Described:
    """The visit in a validated description."""
    return Described(
        skin_type=SkinType(body["skin_type"]),
        area_cm2=body["area_cm2"],
        shares=tuple((InkColour(part["colour"]), part["share"]) for part in body["parts"]),
    )


def answer(found: Found) -> dict[str, Any]:
    """What SlotSearchOut shows."""
    return {
        "earliest_on": found.earliest.on,
        "advised_on": found.earliest.advised_on,
        "minutes": found.timeline.minutes,
        "segments": timeline_json(found.timeline),
        "needs": [
            {"need": need.key, "wavelengths_nm": need.wavelengths_nm, "share": need.share}
            for need in found.needs
        ],
        "slots": [slot_json(slot) for slot in found.answer.slots],
        "bounds": [reason_json(reason) for reason in found.answer.bounds],
        "basis": SLOT_BASIS,
        "caution": CAUTION,
    }
