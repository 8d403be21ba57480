"""Skin type from a questionnaire, and areas on a body; for plain inputs, nothing stored."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.serializers import ComputedOut
from core.api.views import FallowView
from core.vocabulary import choices
from courses.errors import field_malformed, input_refused
from courses.science.area import (
    AreaCheck,
    BodyFormula,
    body_surface_m2,
    check_area,
    hands_to_cm2,
    percent_to_cm2,
)
from courses.science.basis import CAUTION
from courses.science.skin import (
    BASIS,
    ITEMS,
    POINTS_PER_ITEM,
    skin_questionnaire,
    skin_type_of_answers,
    skin_type_of_score,
)
from courses.vocabulary import BodySite, SkinType

SKIN_TYPES: Final = [(t.value, t.name) for t in SkinType]
MEASURES: Final = ("area_cm2", "length_cm", "hands", "palms", "percent")
OF_BODY: Final = frozenset({"hands", "palms", "percent"})


class SkinOptionOut(serializers.Serializer[Any]):
    """An answer and the points it gives."""

    points = serializers.IntegerField()
    text_key = serializers.CharField(help_text="Key for a translation")
    text = serializers.CharField()


class SkinItemOut(serializers.Serializer[Any]):
    """One question of the skin type questionnaire."""

    key = serializers.CharField()
    text_key = serializers.CharField(help_text="Key for a translation")
    text = serializers.CharField()
    options = SkinOptionOut(many=True)


class SkinQuestionnaireOut(ComputedOut):
    """The questionnaire, for a front end to render."""

    id = serializers.CharField()
    version = serializers.CharField()
    language = serializers.CharField()
    items = SkinItemOut(many=True)


class SkinTypeIn(serializers.Serializer[Any]):
    """The points of all ten answers by key, or their sum."""

    answers = serializers.DictField(
        child=serializers.IntegerField(min_value=0, max_value=POINTS_PER_ITEM), required=False
    )
    score = serializers.IntegerField(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if len(attrs) != 1:
            raise serializers.ValidationError(
                {"answers": "Give the answers or the score."}, code="either"
            )
        return attrs


class SkinTypeOut(ComputedOut):
    """The sum of the answers and the Fitzpatrick skin type it gives."""

    score = serializers.IntegerField()
    highest_score = serializers.IntegerField()
    skin_type = serializers.ChoiceField(choices=choices(SkinType))
    name = serializers.CharField(help_text="I to VI")


class BodyAreaIn(serializers.Serializer[Any]):
    """A size of a tattoo in one of five ways, its site, and the body if it is known.

    Hands (palm and fingers) and palms are those of the patient.
    """

    site = serializers.ChoiceField(choices=choices(BodySite))
    area_cm2 = serializers.FloatField(required=False)
    length_cm = serializers.FloatField(required=False, min_value=0.01, max_value=300)
    width_cm = serializers.FloatField(required=False, min_value=0.01, max_value=300)
    hands = serializers.FloatField(required=False)
    palms = serializers.FloatField(required=False)
    percent = serializers.FloatField(required=False, help_text="Of the body surface")
    height_cm = serializers.FloatField(required=False)
    weight_kg = serializers.FloatField(required=False)
    formula = serializers.ChoiceField(choices=choices(BodyFormula), default=BodyFormula.MOSTELLER)
    age_years = serializers.FloatField(default=18.0, help_text="For the share of the site")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if sum(name in attrs for name in MEASURES) != 1:
            raise serializers.ValidationError(
                {"area_cm2": f"Give one of {', '.join(MEASURES)}."}, code="one_of"
            )
        for one, other in (("length_cm", "width_cm"), ("height_cm", "weight_kg")):
            if (one in attrs) != (other in attrs):
                raise serializers.ValidationError(
                    {other: f"{one} and {other} go together."}, code="required"
                )
        return attrs


class BodyAreaOut(ComputedOut):
    """An area and how it stands to the body and to its site. `warning` is empty when it fits."""

    area_cm2 = serializers.FloatField()
    body_m2 = serializers.FloatField(
        allow_null=True, help_text="Null: not known; the largest plausible body is assumed"
    )
    body_percent = serializers.FloatField()
    hands = serializers.FloatField(help_text="Palm and fingers")
    site_limit_cm2 = serializers.FloatField()
    warning = serializers.CharField(allow_blank=True)


class SkinQuestionnaireView(FallowView):
    """The skin type questionnaire."""

    policy = {"get": "calculator.use"}

    @extend_schema(responses=SkinQuestionnaireOut, summary="Show the skin type questionnaire")
    def get(self, request: Request) -> Response:
        """Ten questions with their answers and points. For everyone."""
        return self.show(SkinQuestionnaireOut, skin_questionnaire())


class SkinTypeView(FallowView):
    """Skin type from answers."""

    policy = {"post": "calculator.use"}

    @extend_schema(request=SkinTypeIn, responses=SkinTypeOut, summary="Skin type from answers")
    def post(self, request: Request) -> Response:
        """The Fitzpatrick skin type of ten answers or of their sum. For everyone.

        Nothing is stored; the clinician judges the skin.
        """
        body = self.parse(SkinTypeIn)
        with input_refused():
            if "answers" in body:
                found = skin_type_of_answers(body["answers"])
                score, skin_type = found.score, found.skin_type
            else:
                score, skin_type = body["score"], skin_type_of_score(body["score"])
        return self.show(
            SkinTypeOut,
            {
                "score": score,
                "highest_score": POINTS_PER_ITEM * len(ITEMS),
                "skin_type": skin_type,
                "name": skin_type.name,
                "basis": [BASIS],
                "caution": CAUTION,
            },
        )


class BodyAreaView(FallowView):
    """Areas on a body."""

    policy = {"post": "calculator.use"}

    @extend_schema(request=BodyAreaIn, responses=BodyAreaOut, summary="Reckon a tattoo's area")
    def post(self, request: Request) -> Response:
        """The area of a tattoo from a measure, hands or percent, checked against body and site.

        For everyone. A measured area is better than hands; nothing is stored.
        """
        body = self.parse(BodyAreaIn)
        with input_refused({"body_m2": "/height_cm"}):
            body_m2 = (
                body_surface_m2(
                    body["height_cm"],
                    weight_kg=body["weight_kg"],
                    formula=BodyFormula(body["formula"]),
                )
                if "height_cm" in body
                else None
            )
            found = check_area(
                _area_cm2(body, body_m2=body_m2),
                site=BodySite(body["site"]),
                body_m2=body_m2,
                age_years=body["age_years"],
            )
        return self.show(BodyAreaOut, _area_shown(found, body_m2=body_m2))


def _area_cm2(body: dict[str, Any], *, body_m2: float | None) -> float:
    if "area_cm2" in body:
        return float(body["area_cm2"])
    if "length_cm" in body:
        return float(body["length_cm"] * body["width_cm"])
    (measure,) = OF_BODY & body.keys()
    if body_m2 is None:
        raise field_malformed(
            "/height_cm", code="required", detail=f"{measure} need height and weight."
        )
    if measure == "percent":
        return percent_to_cm2(body["percent"], body_m2=body_m2)
    with input_refused({"hands": f"/{measure}"}):
        return hands_to_cm2(body[measure], body_m2=body_m2, palm_only=measure == "palms")


def _area_shown(found: AreaCheck, *, body_m2: float | None) -> dict[str, Any]:
    return {
        "area_cm2": found.area_cm2,
        "body_m2": body_m2,
        "body_percent": found.body_percent,
        "hands": found.hands,
        "site_limit_cm2": found.site_limit_cm2,
        "warning": found.warning,
        "basis": found.basis,
        "caution": found.caution,
    }
