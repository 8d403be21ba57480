"""What the service computes for records, asked for plain inputs; nothing is stored."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.hours import local_date, zone_named
from clinics.models import Chain
from core.api.fields import DayField, TimeZoneField
from core.api.serializers import BasisOut, ComputedOut
from core.api.views import FallowView
from core.vocabulary import choices
from courses.api.healing import FlagOut, HoldOut, OutcomeOut
from courses.errors import input_refused
from courses.healing import Facts, Observation, compute_window, earliest_instant, explain
from courses.selectors.healing_record import policy_of_chain
from courses.vocabulary import (
    BodySite,
    ObservationKind,
    Severity,
    SkinResponse,
    SkinType,
    WindowState,
)


class SeenIn(serializers.Serializer[Any]):
    """One thing the skin showed."""

    kind = serializers.ChoiceField(choices=choices(ObservationKind))
    observed_on = DayField()
    began_on = DayField(required=False, allow_null=True, default=None)
    resolved_on = DayField(required=False, allow_null=True, default=None)
    severity = serializers.ChoiceField(choices=choices(Severity), default=Severity.MILD)


class HealingPreviewIn(serializers.Serializer[Any]):
    """One treatment and what is known since. What is left out is not known."""

    treated_on = DayField()
    as_of = DayField(required=False, help_text="Left out: today")
    time_zone = TimeZoneField(default="UTC", help_text="Of the clinic that treated")
    passes = serializers.IntegerField(min_value=1, max_value=20, default=1)
    skin_type = serializers.ChoiceField(choices=choices(SkinType), required=False)
    site = serializers.ChoiceField(choices=choices(BodySite), required=False)
    area_cm2 = serializers.FloatField(min_value=0.01, max_value=20_000, required=False)
    smoker = serializers.BooleanField(required=False, allow_null=True, default=None)
    palpable = serializers.BooleanField(required=False, allow_null=True, default=None)
    gold_ever = serializers.BooleanField(required=False, allow_null=True, default=None)
    responses = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(SkinResponse)),
        max_length=len(SkinResponse),
        default=list,
    )
    observations: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=SeenIn(), max_length=100, default=list
    )
    sun_exposures = serializers.ListField(child=DayField(), max_length=100, default=list)


class PreviewHoldOut(HoldOut):
    """Why no date can be said; `keys` are positions in `observations`."""

    findings = None  # type: ignore[assignment]
    keys = serializers.ListField(child=serializers.CharField())


class HealingPreviewOut(ComputedOut):
    """The window that the rules give for these inputs."""

    state = serializers.ChoiceField(choices=choices(WindowState))
    summary = serializers.CharField()
    treated_on = serializers.DateField()
    as_of = serializers.DateField()
    earliest_on = serializers.DateField(allow_null=True)
    advised_on = serializers.DateField(allow_null=True)
    not_before = serializers.DateField(allow_null=True)
    closes_at = serializers.DateTimeField(allow_null=True)
    bound = OutcomeOut(many=True)
    applied_not_binding = OutcomeOut(many=True)
    not_applicable = OutcomeOut(many=True)
    holds = PreviewHoldOut(many=True)
    flags = FlagOut(many=True)
    missing = serializers.ListField(
        child=serializers.CharField(), help_text="Facts that rules would need"
    )
    policy_version = serializers.CharField()
    registry_version = serializers.CharField()
    basis = BasisOut(many=True)


class HealingWindowView(FallowView):
    """When a treated area may be treated again."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        request=HealingPreviewIn,
        responses=HealingPreviewOut,
        summary="Preview a healing window",
    )
    def post(self, request: Request) -> Response:
        """The window for plain inputs, under the chain's own rules. For everyone."""
        body = self.parse(HealingPreviewIn)
        chain = Chain.objects.visible_to(self.actor).get()
        zone = body["time_zone"]
        today = body.get("as_of") or local_date(self.now(), zone_named(zone))
        with input_refused({"today": "/as_of"}):
            window = compute_window(_facts(body, today=today), policy_of_chain(chain))
        closes_at = earliest_instant(window.earliest_on, zone=zone) if window.earliest_on else None
        return self.show(HealingPreviewOut, {**explain(window), "closes_at": closes_at})


def _facts(body: dict[str, Any], *, today: Any) -> Facts:
    skin_type, site = body.get("skin_type"), body.get("site")
    return Facts(
        treated_on=body["treated_on"],
        today=today,
        passes=body["passes"],
        skin_type=None if skin_type is None else SkinType(skin_type),
        site=None if site is None else BodySite(site),
        area_cm2=body.get("area_cm2"),
        smoker=body["smoker"],
        palpable=body["palpable"],
        gold_ever=body["gold_ever"],
        observations=tuple(
            Observation(
                kind=ObservationKind(one["kind"]),
                observed_on=one["observed_on"],
                began_on=one["began_on"],
                resolved_on=one["resolved_on"],
                severity=Severity(one["severity"]),
                key=str(position),
            )
            for position, one in enumerate(body["observations"])
        ),
        sun_exposures=tuple(body["sun_exposures"]),
        responses=frozenset(SkinResponse(code) for code in body["responses"]),
    )
