"""The session estimate for plain inputs; nothing is stored."""

from dataclasses import replace
from datetime import date
from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.hours import local_date, zone_named
from clinics.models import Chain
from core.api.fields import DayField, TimeZoneField
from core.api.views import FallowView
from core.vocabulary import choices
from courses.api.estimate_serializers import SessionEstimateOut
from courses.api.estimates import session_estimate_shown
from courses.api.slots import TechniqueIn
from courses.errors import field_malformed, input_refused
from courses.science.estimate.answer import estimate
from courses.science.estimate.inputs import (
    Assessment,
    EstimateRequest,
    Intervals,
    check_request,
    served_only,
)
from courses.science.estimate.prior import PriorSettings
from courses.science.fading.inputs import Darkening, Goal, Grade, Part, TreatedSession
from courses.science.fading.match import FiredLine, match_for, planned_match
from courses.science.fading.model import Match
from courses.science.grading import ClearanceScale, band_of_grade
from courses.science.pulses import PulseClass, pulse_class
from courses.selectors.estimation.courses import setting_of_chain
from courses.selectors.estimation.records import part_key
from courses.selectors.estimation.requests import Setting, chair_time, spacing_for
from courses.selectors.plans import Technique as VisitTechnique
from courses.vocabulary import (
    BodySite,
    CourseGoal,
    InkAmount,
    InkColour,
    Scarring,
    SkinType,
    Technique,
)

NS: Final = 1e-9
POINTERS: Final = {"goal.target": "/target_clearance"}
PRIOR: Final = ("multiplier", "coefficient_of_variation")


class PartIn(serializers.Serializer[Any]):
    """One colour in one technique. `key` is the caller's name for it, for grades and sessions."""

    key = serializers.CharField(max_length=40, required=False, help_text="Left out: made up")
    colour = serializers.ChoiceField(choices=choices(InkColour))
    technique = serializers.ChoiceField(choices=choices(Technique), default=Technique.SOLID_FILL)
    share = serializers.FloatField(help_text="Of the area; the shares of all parts sum to 1")
    cleared = serializers.BooleanField(default=False)
    blister_or_scar = serializers.BooleanField(default=False)


class LineIn(serializers.Serializer[Any]):
    """A wavelength and its pulse."""

    wavelength_nm = serializers.FloatField(min_value=180, max_value=20_000)
    pulse_duration_ns = serializers.FloatField(min_value=0.001, max_value=1000, default=10.0)


class TreatedIn(serializers.Serializer[Any]):
    """A session that happened, and the parts it treated (left out: all of them)."""

    treated_on = DayField()
    lines: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=LineIn(), min_length=1, max_length=8
    )
    parts = serializers.ListField(
        child=serializers.CharField(max_length=40), max_length=24, required=False
    )


class GradeIn(serializers.Serializer[Any]):
    """How much of a part was gone: a band, or a grade of a scale."""

    part = serializers.CharField(max_length=40)
    graded_on = DayField()
    low = serializers.FloatField(min_value=0, max_value=1, required=False)
    high = serializers.FloatField(min_value=0, max_value=1, required=False)
    scale = serializers.ChoiceField(choices=choices(ClearanceScale), required=False)
    grade = serializers.IntegerField(required=False, help_text="Of the scale")
    darkened = serializers.BooleanField(default=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        given = {name for name in ("low", "high", "scale", "grade") if name in attrs}
        if given not in ({"low", "high"}, {"scale", "grade"}):
            raise serializers.ValidationError(
                "Give low and high, or scale and grade.", code="band_or_grade"
            )
        return attrs


class DarkeningIn(serializers.Serializer[Any]):
    """A part that darkened and was not graded since."""

    part = serializers.CharField(max_length=40)
    seen_on = DayField()


class SessionEstimateIn(serializers.Serializer[Any]):
    """A tattoo, its goal, and what was done and seen so far. What is left out is not known."""

    skin_type = serializers.ChoiceField(choices=choices(SkinType))
    site = serializers.ChoiceField(choices=choices(BodySite))
    area_cm2 = serializers.FloatField()
    parts: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=PartIn(), min_length=1, max_length=24
    )
    ink_amount = serializers.ChoiceField(choices=choices(InkAmount))
    scarring = serializers.ChoiceField(choices=choices(Scarring), default=Scarring.NONE)
    layered = serializers.BooleanField(default=False)
    palpable = serializers.BooleanField(default=False)
    amateur = serializers.BooleanField(required=False, allow_null=True, default=None)
    smoker = serializers.BooleanField(default=False)
    age_months = serializers.IntegerField(required=False, allow_null=True, default=None)
    goal = serializers.ChoiceField(choices=choices(CourseGoal), default=CourseGoal.CLEAR)
    target_clearance = serializers.FloatField(
        required=False, allow_null=True, default=None, help_text="For the goal `lighten`"
    )
    multiplier = serializers.FloatField(
        min_value=0.1, max_value=3, required=False, help_text="Left out: the chain's own"
    )
    coefficient_of_variation = serializers.FloatField(
        min_value=0.05, max_value=1, required=False, help_text="Left out: the chain's own"
    )
    planned_lines: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=LineIn(),
        required=False,
        max_length=8,
        help_text="Lines of the coming sessions. Left out: those of the chain's own lasers",
    )
    sessions: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=TreatedIn(), max_length=60, default=list
    )
    grades: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=GradeIn(), max_length=500, default=list
    )
    darkenings: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=DarkeningIn(), max_length=100, default=list
    )
    technique = TechniqueIn(required=False, help_text="To reckon chair time")
    next_on = DayField(required=False, allow_null=True, default=None)
    time_zone = TimeZoneField(default="UTC", help_text="Says what day it is")


class SessionEstimateView(FallowView):
    """How many sessions a tattoo may take."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        request=SessionEstimateIn,
        responses=SessionEstimateOut,
        summary="Estimate the sessions of a tattoo",
    )
    def post(self, request: Request) -> Response:
        """Sessions as a distribution, for plain inputs, read as the chain reads the scale.

        For everyone. Nothing is stored.
        """
        body = self.parse(SessionEstimateIn)
        chain = Chain.objects.visible_to(self.actor).get()
        with input_refused(POINTERS):
            technique = VisitTechnique(**body.get("technique", {}))
            setting = setting_of_chain(chain, technique=technique)
            today = local_date(self.now(), zone_named(body["time_zone"]))
            asked = _request(body, setting=setting, today=today)
            answer = estimate(asked)
            reachable = served_only(asked)
            served = None if reachable is None else (reachable, estimate(reachable))
        shown = session_estimate_shown(asked, answer, served=served)
        return self.show(SessionEstimateOut, shown)


def _request(body: dict[str, Any], *, setting: Setting, today: date) -> EstimateRequest:
    parts = _parts(body, setting=setting)
    assessment = Assessment(
        skin_type=SkinType(body["skin_type"]),
        site=BodySite(body["site"]),
        area_cm2=body["area_cm2"],
        parts=parts,
        ink_amount=InkAmount(body["ink_amount"]),
        scarring=Scarring(body["scarring"]),
        layered=body["layered"],
        palpable=body["palpable"],
        amateur=body["amateur"],
        smoker=body["smoker"],
        age_months=body["age_months"],
    )
    plain = EstimateRequest(
        assessment=assessment,
        goal=Goal(kind=CourseGoal(body["goal"]), target=body["target_clearance"]),
        settings=_prior(body, setting=setting),
        sessions=_sessions(body, parts=parts),
        grades=[_grade(index, one) for index, one in enumerate(body["grades"])],
        darkenings=[Darkening(one["part"], one["seen_on"]) for one in body["darkenings"]],
        next_on=body["next_on"],
    )
    check_request(plain)
    spacing = spacing_for(assessment, setting=setting, today=today)
    return replace(
        plain,
        intervals=Intervals(
            earliest_days=spacing.earliest_days,
            usual_days=spacing.advised_days,
            longest_days=spacing.longest_days,
        ),
        chair=chair_time(assessment, technique=setting.technique),
    )


def _parts(body: dict[str, Any], *, setting: Setting) -> list[Part]:
    given = body.get("planned_lines")
    lines = setting.lines if given is None else tuple(_fired(line) for line in given)
    known = given is not None or bool(lines)
    skin_type = SkinType(body["skin_type"])
    return [
        Part(
            key=one.get("key") or part_key(one["colour"], technique=one["technique"]),
            colour=InkColour(one["colour"]),
            technique=Technique(one["technique"]),
            share=one["share"],
            planned=(
                planned_match(InkColour(one["colour"]), skin_type=skin_type, lines=lines)
                if known
                else Match.FIRST
            ),
            cleared=one["cleared"],
            blister_or_scar=one["blister_or_scar"],
        )
        for one in body["parts"]
    ]


def _prior(body: dict[str, Any], *, setting: Setting) -> PriorSettings:
    given = {name: body[name] for name in PRIOR if name in body}
    if not given:
        return setting.prior
    return replace(setting.prior, **given, version="request", source="values of the request")


def _sessions(body: dict[str, Any], *, parts: list[Part]) -> list[TreatedSession]:
    colours = {part.key: part.colour for part in parts}
    sessions = []
    for index, one in enumerate(body["sessions"]):
        lines = [_fired(line) for line in one["lines"]]
        treated = one.get("parts", list(colours))
        for position, key in enumerate(treated):
            if key not in colours:
                raise field_malformed(
                    f"/sessions/{index}/parts/{position}",
                    code="part-unknown",
                    detail=f"{key} is not a part of this tattoo.",
                )
        sessions.append(
            TreatedSession(
                treated_on=one["treated_on"],
                matches={key: match_for(colours[key], lines=lines) for key in treated},
            )
        )
    return sessions


def _grade(index: int, one: dict[str, Any]) -> Grade:
    if "grade" not in one:
        low, high = one["low"], one["high"]
    else:
        with input_refused({"grade": f"/grades/{index}/grade"}):
            band = band_of_grade(one["grade"], scale=ClearanceScale(one["scale"]))
        low, high = band.low, band.high
    return Grade(one["part"], one["graded_on"], low, high, darkened=one["darkened"])


def _fired(line: dict[str, Any]) -> FiredLine:
    picosecond = pulse_class(line["pulse_duration_ns"] * NS) is PulseClass.PICOSECOND
    return FiredLine(wavelength_nm=line["wavelength_nm"], picosecond=picosecond)
