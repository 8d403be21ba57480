"""The questionnaire about precautions, and what answers mean: for plain inputs and for patients."""

from collections.abc import Iterable
from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.hours import local_date, zone_named
from core.api.fields import DayField, TimeZoneField
from core.api.filters import parsed_query
from core.api.serializers import BasisOut, ComputedOut, GuardedOut
from core.api.views import FallowView
from core.vocabulary import choices
from courses.policy import FIELDS, MEDICAL
from courses.science.precautions import (
    QUESTIONS,
    AnswerKind,
    PrecautionEffect,
    PrecautionFinding,
    PrecautionResult,
    Subject,
    answer_sheet,
    evaluate,
    parse_answers,
    questionnaire_json,
)
from courses.selectors.precautions import BY_ID, Standing, patient_standing
from courses.services.precautions import answers_refused
from courses.vocabulary import BodySite, InkColour

Json = dict[str, Any]

EFFECTS: Final = [effect.code for effect in PrecautionEffect]
KEYS: Final = [question.key for question in QUESTIONS]
FOLLOWS: Final = {one.key: one.asked_when[0] for one in QUESTIONS if one.asked_when}


class OptionOut(serializers.Serializer[Any]):
    """One answer that can be chosen."""

    code = serializers.CharField()
    text_key = serializers.CharField(help_text="Key for a translation")
    text = serializers.CharField()


class AskedWhenOut(serializers.Serializer[Any]):
    """Another question, and the answers to it that make this one asked."""

    question = serializers.ChoiceField(choices=KEYS)
    answers = serializers.ListField(child=serializers.CharField())


class QuestionOut(serializers.Serializer[Any]):
    """One question. Dates are ISO; one that is not required may be left open."""

    key = serializers.CharField()
    kind = serializers.ChoiceField(choices=[kind.value for kind in AnswerKind])
    text_key = serializers.CharField(help_text="Key for a translation")
    text = serializers.CharField()
    options = OptionOut(many=True)
    required = serializers.BooleanField()  # type: ignore[assignment]
    asked_when = AskedWhenOut(allow_null=True)
    valid_days = serializers.IntegerField(help_text="How long an answer counts")


class QuestionnaireOut(serializers.Serializer[Any]):
    """The questionnaire, for a front end to render."""

    id = serializers.CharField()
    version = serializers.CharField()
    language = serializers.CharField()
    questions = QuestionOut(many=True)
    caution = serializers.CharField()


class PrecautionFindingOut(serializers.Serializer[Any]):
    """One precaution that applies. `until` null with a wait: the day is not known."""

    id = serializers.CharField()
    question = serializers.CharField(help_text="Key of the question, or `birth_date`")
    effect = serializers.ChoiceField(choices=EFFECTS)
    text = serializers.CharField()
    until = serializers.DateField(allow_null=True)
    stops = serializers.BooleanField(help_text="Treatment may not go on because of it")
    clearable = serializers.BooleanField(help_text="A treating clinician may clear it")
    cleared_by = serializers.CharField(allow_blank=True)
    lifelong = serializers.BooleanField()
    test_spot = serializers.BooleanField()
    basis = BasisOut()


class PrecautionResultOut(ComputedOut):
    """What answers mean on a day."""

    on = serializers.DateField(help_text="Local date")
    clear = serializers.BooleanField(help_text="All is answered and nothing stops treatment")
    complete = serializers.BooleanField(help_text="Every question has an answer that counts")
    effect = serializers.ChoiceField(
        choices=EFFECTS, allow_null=True, help_text="The strongest in force"
    )
    wait_until = serializers.DateField(allow_null=True)
    test_spot = serializers.BooleanField()
    findings = PrecautionFindingOut(many=True)
    missing = serializers.ListField(child=serializers.CharField(), help_text="To be asked")
    expired = serializers.ListField(child=serializers.CharField(), help_text="To be asked again")
    valid_until = serializers.DateField(
        allow_null=True, help_text="The last day on which all answers count"
    )
    questionnaire_version = serializers.CharField()


class StandingOut(GuardedOut, PrecautionResultOut):
    """What stands for a patient. `new`: what has come up since the appointment was booked.

    Which precaution it is, is medical detail; that one stands, and until when, is not. A question
    that follows from an answer would tell the answer: the one that it follows from is named.
    """

    guarded = FIELDS["StandingOut"]

    patient = serializers.IntegerField()
    course = serializers.IntegerField(allow_null=True)
    asked = serializers.BooleanField(help_text="Whether the patient was ever asked")
    any_new = serializers.BooleanField(help_text="Whether anything is in `new`")
    new = PrecautionFindingOut(many=True)

    def to_representation(self, instance: Any) -> Any:
        shown = super().to_representation(instance)
        if self.context["request"].actor.may(MEDICAL):
            return shown
        return {**shown, **{name: _first_asked(shown[name]) for name in ("missing", "expired")}}


def _first_asked(keys: Iterable[str]) -> list[str]:
    """Each question once, and none that is asked because of what was answered to another."""
    return list(dict.fromkeys(FOLLOWS.get(key, key) for key in keys))


class PrecautionsIn(serializers.Serializer[Any]):
    """Answers by key of the question: an option code or an ISO date; and what else is known."""

    answers = serializers.DictField(child=serializers.CharField(max_length=40))
    answered_on = DayField(required=False, help_text="Left out: today")
    on = DayField(required=False, help_text="The day to judge. Left out: today")
    time_zone = TimeZoneField(default="UTC", help_text="Says what day it is")
    birth_date = DayField(required=False, allow_null=True, default=None)
    site = serializers.ChoiceField(
        choices=choices(BodySite), required=False, allow_null=True, default=None
    )
    colours = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(InkColour)),
        max_length=len(InkColour),
        default=list,
    )


class StandingQuery(serializers.Serializer[Any]):
    """For which course, and on which day."""

    course = serializers.IntegerField(min_value=1, max_value=2**62, required=False)
    on = DayField(required=False)


class QuestionnaireView(FallowView):
    """The questionnaire before a session."""

    policy = {"get": "calculator.use"}

    @extend_schema(responses=QuestionnaireOut, summary="Show the questionnaire about precautions")
    def get(self, request: Request) -> Response:
        """Questions in order, with options, conditions and keys for translation. For everyone."""
        return self.show(QuestionnaireOut, questionnaire_json())


class PrecautionsCalculator(FallowView):
    """What answers mean."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        request=PrecautionsIn,
        responses=PrecautionResultOut,
        summary="Judge answers about precautions",
    )
    def post(self, request: Request) -> Response:
        """What blocks, holds, waits or warns, for plain answers. For everyone.

        Nothing is stored.
        """
        body = self.parse(PrecautionsIn)
        today = local_date(self.now(), zone_named(body["time_zone"]))
        on = body.get("on", today)
        subject = Subject(
            birth_date=body["birth_date"],
            site=None if body["site"] is None else BodySite(body["site"]),
            colours=frozenset(InkColour(colour) for colour in body["colours"]),
        )
        with answers_refused():
            given = parse_answers(body["answers"], answered_on=body.get("answered_on", today))
            found = evaluate(answer_sheet(given, today=on, subject=subject))
        return self.show(PrecautionResultOut, result_shown(found))


class PatientPrecautionsView(FallowView):
    """What stands for a patient."""

    policy = {"get": "precaution.read"}
    shows = "courses.Patient"
    extra_query_params = ("course", "on")

    @extend_schema(
        parameters=[StandingQuery],
        responses=StandingOut,
        summary="Judge the precautions of a patient",
    )
    def get(self, request: Request, pk: int) -> Response:
        """What the patient's answers mean on a day, with what clinicians decided about them.

        For whoever may see precautions: front desk, operators, clinicians, integrators.
        """
        query = parsed_query(StandingQuery, request)
        found = patient_standing(
            pk,
            course_id=query.get("course"),
            day=query.get("on"),
            actor=self.actor,
            now=self.now(),
        )
        return self.show(StandingOut, standing_shown(found))


def standing_shown(found: Standing) -> Json:
    """What StandingOut shows."""
    return {
        **result_shown(found.result),
        "patient": found.patient_id,
        "course": found.course_id,
        "asked": found.asked,
        "any_new": bool(found.new),
        "new": [_finding(one) for one in found.new],
    }


def result_shown(found: PrecautionResult) -> Json:
    """What PrecautionResultOut shows."""
    return {
        "on": found.today,
        "clear": found.clear,
        "complete": found.complete,
        "effect": None if found.effect is None else found.effect.code,
        "wait_until": found.wait_until,
        "test_spot": found.test_spot,
        "findings": [_finding(one) for one in found.findings],
        "missing": found.missing,
        "expired": found.expired,
        "valid_until": found.valid_until,
        "questionnaire_version": found.questionnaire_version,
        "basis": found.basis,
        "caution": found.caution,
    }


def _finding(one: PrecautionFinding) -> Json:
    return {
        "id": one.id,
        "question": one.question,
        "effect": one.effect.code,
        "text": one.text,
        "until": one.until,
        "stops": one.stops,
        "clearable": BY_ID[one.id].clearable,
        "cleared_by": one.cleared_by,
        "lifelong": one.lifelong,
        "test_spot": one.test_spot,
        "basis": one.basis,
    }
