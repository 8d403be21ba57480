"""Where counters and the ledger differ, over HTTP: who looks into it, and what it was."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import StaffMember
from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from devices.api.counter_filters import CounterDifferenceFilter, CounterReconciliationFilter
from devices.models import CounterDifference, CounterReconciliation, PulseEntry
from devices.services import counter_differences as services


class CounterDifferenceOut(RowSerializer):
    """A counter and the ledger between two readings, in pulses; positive: the counter has more."""

    laser = serializers.IntegerField(source="counter.laser_id", allow_null=True)
    handpiece = serializers.IntegerField(source="counter.handpiece_id", allow_null=True)
    counter_kind = serializers.CharField(source="counter.kind")
    start = AwareDateTimeField(source="earlier.read_at")
    end = AwareDateTimeField(source="later.read_at", help_text="Excluded.")
    difference = serializers.SerializerMethodField()
    owner_name = serializers.CharField(source="owner.name")
    age_days = serializers.SerializerMethodField(help_text="Since it was found; None once closed")

    class Meta:
        model = CounterDifference
        fields = [
            "id",
            "version",
            "counter",
            "counter_kind",
            "laser",
            "handpiece",
            "earlier",
            "later",
            "start",
            "end",
            "finding",
            "step",
            "counter_pulses",
            "ledger_pulses",
            "difference",
            "status",
            "opened_at",
            "age_days",
            "owner",
            "owner_name",
            "explanation",
            "correction",
            "explained_by",
            "explained_at",
            "resolution",
            "closed_by",
            "closed_at",
        ]

    def get_difference(self, row: CounterDifference) -> int:
        return row.counter_pulses - row.ledger_pulses

    def get_age_days(self, row: CounterDifference) -> int | None:
        if row.closed_at is not None:
            return None
        age: int = (self.context["view"].now() - row.opened_at).days
        return age


class DifferenceOwnerIn(serializers.Serializer[Any]):
    """Who looks into it."""

    owner = VisibleRelatedField(queryset=StaffMember.objects.filter(active=True))


class DifferenceExplanationIn(serializers.Serializer[Any]):
    """What it was, and the ledger's correction that mends it where there is one."""

    explanation = serializers.CharField(max_length=1000)
    correction = VisibleRelatedField(
        queryset=PulseEntry.objects.select_related("laser"), required=False, allow_null=True
    )


class CounterReconciliationOut(RowSerializer):
    """One comparison of the chain's counters with its ledger."""

    class Meta:
        model = CounterReconciliation
        fields = [
            "id",
            "ran_at",
            "since",
            "spans",
            "agreeing",
            "opened",
            "settled",
            "left_open",
        ]


class ReconciliationIn(serializers.Serializer[Any]):
    """How far back to compare."""

    since = AwareDateTimeField(required=False, help_text="400 days ago when left out")


class CounterDifferenceViewSet(ListMixin, RetrieveMixin):
    """Differences between counters and the ledger, the latest first. None is ever removed."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = CounterDifference.objects.select_related("counter", "earlier", "later", "owner")
    serializer_class = CounterDifferenceOut
    filterset_class = CounterDifferenceFilter
    keyset = ("-opened_at", "-id")
    conditional = (
        "assign",
        "close",
        "explain",
    )
    policy = {
        "list": "counter.read",
        "retrieve": "counter.read",
        "assign": "counter_difference.write",
        "explain": "counter_difference.write",
        "close": "counter_difference.close",
    }

    @extend_schema(request=DifferenceOwnerIn, responses=CounterDifferenceOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def assign(self, request: Request, **kwargs: Any) -> Response:
        """Say who looks into it: chain manager or laser safety officer there."""
        difference = services.difference_assign(
            pk=self.get_object().pk,
            owner=self.parse(DifferenceOwnerIn)["owner"],
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self._shown(difference)

    @extend_schema(request=DifferenceExplanationIn, responses=CounterDifferenceOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def explain(self, request: Request, **kwargs: Any) -> Response:
        """Say what it was: chain manager or laser safety officer there.

        Settled at once when counter and ledger agree by now.
        """
        told = self.parse(DifferenceExplanationIn)
        difference = services.difference_explain(
            pk=self.get_object().pk,
            explanation=told["explanation"],
            correction=told.get("correction"),
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self._shown(difference)

    @extend_schema(request=None, responses=CounterDifferenceOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def close(self, request: Request, **kwargs: Any) -> Response:
        """Accept an explained difference as it is: laser safety officer there."""
        difference = services.difference_close(
            pk=self.get_object().pk,
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self._shown(difference)

    def _shown(self, difference: CounterDifference) -> Response:
        return self.present(self.get_queryset().get(pk=difference.pk))


class CounterReconciliationViewSet(ListMixin, RetrieveMixin):
    """Comparisons of counters with the ledger, the latest first; one each night."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = CounterReconciliation.objects.all()
    serializer_class = CounterReconciliationOut
    filterset_class = CounterReconciliationFilter
    keyset = ("-ran_at", "-id")
    policy = {
        "list": "counter.read",
        "retrieve": "counter.read",
        "create": "counter_reconciliation.run",
    }

    @extend_schema(request=ReconciliationIn, responses={201: CounterReconciliationOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Compare the chain's counters with its ledger now: chain manager or safety officer."""
        self.actor.require("counter_reconciliation.run")
        run = services.counters_reconcile(
            chain_id=self.actor.chain_id,
            since=self.parse(ReconciliationIn).get("since"),
            now=self.now(),
        )
        return self.present(run, status=status.HTTP_201_CREATED)
