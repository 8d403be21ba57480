"""The chain's lists of safety duties over HTTP."""

from datetime import timedelta
from typing import Any, Final

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.preconditions import expected_version
from core.api.serializers import RowSerializer
from core.api.viewsets import FallowViewSet
from core.vocabulary import choices
from devices.api.fields import ChangeIn, WholeField
from devices.models import DutyPolicy
from devices.safety.vocabulary import IncidentKind, StartUpScope
from devices.selectors.start_up import duty_policy_of, duty_rules
from devices.services import duties as services
from devices.vocabulary import StartUpEffect

HOUR: Final = timedelta(hours=1)


class StartUpItemOut(serializers.Serializer[Any]):
    """One thing that a start-up check looks at."""

    code = serializers.CharField()
    scope = serializers.ChoiceField(choices=choices(StartUpScope))
    text = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class PeriodicDutyOut(serializers.Serializer[Any]):
    """What each clinic does again within so many months."""

    code = serializers.CharField()
    text = serializers.CharField()
    months = serializers.IntegerField()
    source = serializers.CharField()  # type: ignore[assignment]


class ClockRuleOut(serializers.Serializer[Any]):
    """What an incident of these kinds demands within so many hours."""

    code = serializers.CharField()
    kinds = serializers.ListField(child=serializers.ChoiceField(choices=choices(IncidentKind)))
    text = serializers.CharField()
    hours = serializers.IntegerField()
    after = serializers.CharField(allow_blank=True, help_text="Counts from when this one is met")
    source = serializers.CharField()  # type: ignore[assignment]


class DutyPolicyOut(RowSerializer):
    """What holds for the chain; version 0 is the defaults, nobody has changed them."""

    start_up = serializers.SerializerMethodField()
    periodic = serializers.SerializerMethodField()
    clocks = serializers.SerializerMethodField()
    own_lists = serializers.SerializerMethodField(help_text="Which lists are not the defaults")

    class Meta:
        model = DutyPolicy
        fields = [
            "version",
            "at_failed",
            "at_missing",
            "warn_days",
            "start_up",
            "periodic",
            "clocks",
            "own_lists",
        ]

    @extend_schema_field(StartUpItemOut(many=True))
    def get_start_up(self, policy: DutyPolicy) -> Any:
        return StartUpItemOut(duty_rules(policy).start_up, many=True).data

    @extend_schema_field(PeriodicDutyOut(many=True))
    def get_periodic(self, policy: DutyPolicy) -> Any:
        return PeriodicDutyOut(duty_rules(policy).periodic, many=True).data

    @extend_schema_field(ClockRuleOut(many=True))
    def get_clocks(self, policy: DutyPolicy) -> Any:
        rows = [
            {
                "code": clock.code,
                "kinds": sorted(clock.kinds),
                "text": clock.text,
                "hours": clock.within // HOUR,
                "after": clock.after,
                "source": clock.source,
            }
            for clock in duty_rules(policy).clocks
        ]
        return ClockRuleOut(rows, many=True).data

    def get_own_lists(self, policy: DutyPolicy) -> list[str]:
        names = ("start_up", "periodic", "clocks")
        return [name for name in names if getattr(policy, name) is not None]


class DutyPolicyIn(ChangeIn):
    """What is to be different. A list is given whole; null is the default again.

    `start_up`: `{"code", "scope", "text"}`; `periodic`: `{"code", "text", "months"}`; `clocks`:
    `{"code", "kinds", "text", "hours", "after"}`. A known code is never given longer than it is.
    """

    start_up = serializers.JSONField(allow_null=True)
    periodic = serializers.JSONField(allow_null=True)
    clocks = serializers.JSONField(allow_null=True)
    at_failed = serializers.ChoiceField(choices=choices(StartUpEffect))
    at_missing = serializers.ChoiceField(choices=choices(StartUpEffect))
    warn_days = WholeField(min_value=0, max_value=365)


class DutyPolicyViewSet(FallowViewSet):
    """The duties of the chain of whoever asks: one policy, so its address needs no id."""

    queryset = DutyPolicy.objects.all()
    serializer_class = DutyPolicyOut
    policy = {"retrieve": "device.read", "partial_update": "duty_policy.write"}

    @extend_schema(summary="The duties that hold for the chain")
    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """Lists and periods in force, each with its source. Everyone may ask."""
        policy = duty_policy_of(self.actor.chain_id)
        policy.version = policy.version if policy.pk else 0
        return self.present(policy)

    @extend_schema(
        request=DutyPolicyIn, responses=DutyPolicyOut, summary="Change the duties of the chain"
    )
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change them: chain manager or laser safety officer of the whole chain."""
        policy = services.duty_policy_set(
            changes=self.parse(DutyPolicyIn),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(policy)
