"""How the plan of the next session looks in JSON."""

from typing import Any

from rest_framework import serializers

from core.api.serializers import BasisOut, ComputedOut, GuardedOut
from core.vocabulary import choices
from courses.api.slots import SegmentOut
from courses.policy import FIELDS
from courses.science.line_ranking import RankedLine
from courses.science.wavelengths import ColourNeed, WavelengthChoice
from courses.selectors.next_session import NextSession
from courses.selectors.plans import diary_timeline
from courses.selectors.visits import timeline_json
from courses.vocabulary import InkColour

Json = dict[str, Any]


class TechniqueQuery(serializers.Serializer[Any]):
    """How the length is reckoned: assumptions for the diary, not settings to use."""

    passes = serializers.IntegerField(min_value=1, max_value=10, default=1)
    spot_mm = serializers.FloatField(min_value=0.5, max_value=20, default=4.0)
    rate_hz = serializers.FloatField(min_value=0.1, max_value=50, default=5.0)
    clearing_agent = serializers.BooleanField(default=False)


class CautionOut(serializers.Serializer[Any]):
    """One warning about an ink, a wavelength and a skin type."""

    code = serializers.CharField()
    text = serializers.CharField()
    test_spot = serializers.BooleanField()
    clinician = serializers.BooleanField()
    basis = BasisOut()


class WavelengthChoiceOut(serializers.Serializer[Any]):
    """One wavelength for one colour; `rank` 1 is best."""

    wavelength_nm = serializers.IntegerField()
    rank = serializers.IntegerField()
    grade = serializers.CharField(help_text="For nanosecond pulses")
    picosecond_grade = serializers.CharField()
    usable = serializers.BooleanField()
    clearance = serializers.FloatField(
        allow_null=True, help_text="Published mean clearance after 4 sessions, if there is one"
    )
    source = serializers.CharField()  # type: ignore[assignment]
    kind = serializers.CharField()
    cautions = CautionOut(many=True)


class ColourNeedOut(serializers.Serializer[Any]):
    """What one visible colour needs."""

    colour = serializers.ChoiceField(choices=choices(InkColour))
    share = serializers.FloatField(help_text="Of the visible area")
    parts = serializers.ListField(child=serializers.IntegerField())
    treatable = serializers.BooleanField()
    test_spot = serializers.BooleanField()
    clinician = serializers.BooleanField()
    choices = WavelengthChoiceOut(many=True)
    cautions = CautionOut(many=True)


class RankedLineOut(serializers.Serializer[Any]):
    """A line that lasers of the clinic emit, and how it suits what is visible."""

    emission_line = serializers.IntegerField()
    wavelength_nm = serializers.FloatField()
    rank = serializers.IntegerField()
    refused = serializers.BooleanField()
    serves = serializers.ListField(child=serializers.CharField())
    score = serializers.FloatField(help_text="0 to 3: mean grade over the visible ink")
    test_spot = serializers.BooleanField()
    clinician = serializers.BooleanField()
    reasons = serializers.ListField(child=serializers.CharField())


class PlannedLengthOut(serializers.Serializer[Any]):
    """How long the session takes, and what each part of it keeps busy."""

    minutes = serializers.IntegerField()
    pulses = serializers.IntegerField()
    passes = serializers.IntegerField()
    segments = SegmentOut(many=True)
    warnings = serializers.ListField(child=serializers.CharField())


class WindowReasonOut(serializers.Serializer[Any]):
    """Why a healing window is as it is: one rule that bound."""

    healing_window = serializers.IntegerField(allow_null=True)
    rule_id = serializers.CharField()
    version = serializers.CharField(allow_null=True)
    on = serializers.DateField(allow_null=True)
    hold = serializers.CharField(allow_null=True)
    reason = serializers.CharField()
    source = serializers.CharField(allow_null=True)  # type: ignore[assignment]
    kind = serializers.CharField(allow_null=True)


class EarliestOut(GuardedOut, serializers.Serializer[Any]):
    """When the skin may be treated again. Without dates and holds: at any time."""

    guarded = FIELDS["EarliestOut"]

    earliest_on = serializers.DateField(allow_null=True)
    advised_on = serializers.DateField(allow_null=True)
    closes_at = serializers.DateTimeField(allow_null=True)
    held = serializers.ListField(child=serializers.IntegerField(), help_text="Healing windows")
    never = serializers.BooleanField()
    reasons = WindowReasonOut(many=True)


class NextSessionOut(GuardedOut, ComputedOut):
    """What the next session of a course is for, and why."""

    guarded = FIELDS["NextSessionOut"]

    course = serializers.IntegerField()
    status = serializers.CharField()
    patient = serializers.IntegerField()
    clinic = serializers.IntegerField()
    time_zone = serializers.CharField()
    area_cm2 = serializers.FloatField(help_text="Of the parts that are left")
    needs = ColourNeedOut(many=True)
    wavelengths_nm = serializers.ListField(
        child=serializers.IntegerField(), help_text="The fewest that serve all that can be served"
    )
    lines = RankedLineOut(many=True)
    length = PlannedLengthOut()
    when = EarliestOut()


def next_session_shown(found: NextSession) -> Json:
    """What NextSessionOut shows."""
    course, earliest = found.course, found.earliest
    timeline = diary_timeline(found.length)
    return {
        "course": course.pk,
        "status": course.status,
        "patient": course.patient_id,
        "clinic": course.clinic_id,
        "time_zone": course.clinic.time_zone,
        "area_cm2": found.plan.area_cm2,
        "needs": [need_shown(one) for one in found.needs],
        "wavelengths_nm": found.wavelengths_nm,
        "lines": [_line(one) for one in found.lines],
        "length": {
            "minutes": timeline.minutes,
            "pulses": found.length.pulses,
            "passes": found.length.passes,
            "segments": timeline_json(timeline),
            "warnings": found.length.warnings,
        },
        "when": {
            "earliest_on": earliest.on,
            "advised_on": earliest.advised_on,
            "closes_at": earliest.closes_at,
            "held": earliest.held,
            "never": earliest.barred,
            "reasons": [*found.reasons, *_bars(found)],
        },
        "basis": found.basis,
        "caution": found.caution,
    }


def _bars(found: NextSession) -> list[Json]:
    return [
        {
            "healing_window": None,
            "rule_id": bar.rule_id,
            "version": None,
            "on": bar.until,
            "hold": None if bar.until else "seen before the first session",
            "reason": bar.reason,
            "source": None,
            "kind": None,
        }
        for bar in found.bars
    ]


def need_shown(need: ColourNeed) -> Json:
    """What ColourNeedOut shows."""
    return {
        "colour": need.colour.value,
        "share": need.share,
        "parts": [int(key) for key in need.keys],
        "treatable": need.treatable,
        "test_spot": need.test_spot,
        "clinician": need.clinician,
        "choices": [_choice(one) for one in need.choices],
        "cautions": need.cautions,
    }


def _choice(choice: WavelengthChoice) -> Json:
    return {
        "wavelength_nm": choice.wavelength_nm,
        "rank": choice.rank,
        "grade": choice.grade.value,
        "picosecond_grade": choice.picosecond_grade.value,
        "usable": choice.usable,
        "clearance": choice.clearance,
        "source": choice.source,
        "kind": choice.kind.value,
        "cautions": choice.cautions,
    }


def _line(ranked: RankedLine) -> Json:
    return {
        "emission_line": int(ranked.line.key),
        "wavelength_nm": ranked.line.wavelength_nm,
        "rank": ranked.rank,
        "refused": ranked.refused,
        "serves": [colour.value for colour in ranked.serves],
        "score": ranked.score,
        "test_spot": ranked.test_spot,
        "clinician": ranked.clinician,
        "reasons": ranked.reasons,
    }
