"""Tables behind the answers, for a front end to show: healing rules, usual courses, scales."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Chain
from core.api.serializers import BasisOut
from core.api.views import FallowView
from core.vocabulary import choices
from courses.healing import REGISTRY_VERSION, RULES, TIME_COURSES, Policy
from courses.healing.rules import Rule
from courses.science.basis import CAUTION
from courses.science.grading import BASIS, SCALES, ClearanceScale
from courses.selectors.healing_record import policy_of_chain
from courses.vocabulary import ObservationKind

Json = dict[str, Any]


class RuleParameterOut(serializers.Serializer[Any]):
    """A value of a rule. A chain may move it one way only, which lengthens windows."""

    name = serializers.CharField()
    unit = serializers.CharField()
    default = serializers.JSONField()
    in_force = serializers.JSONField(help_text="The chain's own value, or the default")
    stricter = serializers.CharField(help_text="Which way a chain may change it")


class HealingRuleOut(serializers.Serializer[Any]):
    """One healing rule at its present version."""

    id = serializers.CharField()
    version = serializers.CharField()
    effect = serializers.CharField(help_text="earliest, advise, hold or never")
    kind = serializers.CharField(help_text="How well it is supported")
    source = serializers.CharField()  # type: ignore[assignment]
    explanation = serializers.CharField()
    parameters = RuleParameterOut(many=True)


class TimeCourseOut(serializers.Serializer[Any]):
    """The usual course of a reaction, in days after the treatment: earliest and latest."""

    reaction = serializers.ChoiceField(choices=choices(ObservationKind))
    onset_days = serializers.ListField(child=serializers.FloatField())
    usual_days = serializers.ListField(child=serializers.FloatField())
    refer_after_days = serializers.IntegerField()
    kind = serializers.CharField(help_text="How well it is supported")
    source = serializers.CharField()  # type: ignore[assignment]


class HealingRulesOut(serializers.Serializer[Any]):
    """The healing rules as they are in force in the chain, and how reactions usually go.

    The window takes the latest date of all rules, never a sum.
    """

    registry_version = serializers.CharField()
    policy_version = serializers.CharField()
    rules = HealingRuleOut(many=True)
    time_courses = TimeCourseOut(many=True)
    caution = serializers.CharField()


class ScaleBandOut(serializers.Serializer[Any]):
    """One grade of a scale, as a band of clearance."""

    grade = serializers.IntegerField()
    name = serializers.CharField()
    low = serializers.FloatField()
    high = serializers.FloatField()


class ClearanceScaleOut(serializers.Serializer[Any]):
    """One grading scale."""

    scale = serializers.ChoiceField(choices=choices(ClearanceScale))
    bands = ScaleBandOut(many=True)


class ClearanceScalesOut(serializers.Serializer[Any]):
    """The scales on which clearance may be graded."""

    items = ClearanceScaleOut(many=True)
    basis = BasisOut(many=True)
    caution = serializers.CharField()


class HealingRulesView(FallowView):
    """The healing rules."""

    policy = {"get": "healing.read"}

    @extend_schema(responses=HealingRulesOut, summary="Show the healing rules")
    def get(self, request: Request) -> Response:
        """Every rule with its source and the values in force, and the usual courses of reactions.

        For whoever may see healing windows.
        """
        policy = policy_of_chain(Chain.objects.visible_to(self.actor).get())
        return self.show(
            HealingRulesOut,
            {
                "registry_version": REGISTRY_VERSION,
                "policy_version": policy.version,
                "rules": [_rule(rule, policy=policy) for rule in RULES],
                "time_courses": [
                    {
                        "reaction": one.kind.value,
                        "onset_days": one.onset_days,
                        "usual_days": one.usual_days,
                        "refer_after_days": one.refer_after_days,
                        "kind": one.support.value,
                        "source": one.source,
                    }
                    for one in TIME_COURSES
                ],
                "caution": CAUTION,
            },
        )


class ClearanceScalesView(FallowView):
    """The grading scales."""

    policy = {"get": "calculator.use"}

    @extend_schema(responses=ClearanceScalesOut, summary="Show the scales of clearance")
    def get(self, request: Request) -> Response:
        """The grades of each scale and the bands that they stand for. For everyone."""
        scales = [
            {
                "scale": scale.value,
                "bands": [
                    {"grade": one.grade, "name": one.label, "low": one.low, "high": one.high}
                    for one in bands
                ],
            }
            for scale, bands in SCALES.items()
        ]
        return self.show(
            ClearanceScalesOut, {"items": scales, "basis": [BASIS], "caution": CAUTION}
        )


def _rule(rule: Rule, *, policy: Policy) -> Json:
    in_force = rule.parameters_in(policy).values
    return {
        "id": rule.id,
        "version": rule.version,
        "effect": rule.effect.value,
        "kind": rule.kind.value,
        "source": rule.source,
        "explanation": rule.explanation,
        "parameters": [
            {
                "name": one.name,
                "unit": one.unit,
                "default": _listed(one.default),
                "in_force": _listed(in_force[one.name]),
                "stricter": one.stricter.value,
            }
            for one in rule.parameters
        ],
    }


def _listed(value: Any) -> Any:
    """A set of codes in a steady order; a number as it is."""
    return sorted(value) if isinstance(value, frozenset) else value
