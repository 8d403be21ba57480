"""Calibration of the estimate on the chain's own courses: run, shown, accepted or refused."""

from typing import Any

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.idempotency import idempotent
from core.api.serializers import ComputedOut
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from courses.api.base import NeededReasonIn, version_if_given
from courses.calibration.refit import Family
from courses.models import CalibrationDecision, CalibrationRun
from courses.services.calibration import calibration_decide, calibration_run
from courses.vocabulary import CalibrationDecisionKind, CalibrationStatus


class ShareOut(serializers.Serializer[Any]):
    """So many of so many, with an exact interval."""

    events = serializers.IntegerField()
    cases = serializers.IntegerField()
    rate = serializers.FloatField()
    low = serializers.FloatField()
    high = serializers.FloatField()
    level = serializers.FloatField()


class AccuracyOut(serializers.Serializer[Any]):
    """Courses at their goal: predicted median against observed sessions."""

    courses = serializers.IntegerField()
    mean_predicted = serializers.FloatField()
    mean_observed = serializers.FloatField()
    ratio = serializers.FloatField()
    mean_error = serializers.FloatField(help_text="Observed less predicted")
    mean_absolute_error = serializers.FloatField()


class CoverageOut(serializers.Serializer[Any]):
    """How many courses lie within the P10 to P90 that was predicted of them."""

    within = ShareOut()
    below = ShareOut()
    above = ShareOut()
    undecided = serializers.IntegerField(help_text="Their place is not known yet")
    allowing = serializers.FloatField(
        allow_null=True, help_text="Share within, allowing for the undecided ones"
    )
    allowing_error = serializers.FloatField(allow_null=True)
    nominal = serializers.FloatField()
    as_expected = serializers.BooleanField()


class GroupOut(serializers.Serializer[Any]):
    """Courses whose predicted median lies in a span."""

    predicted_from = serializers.IntegerField()
    predicted_to = serializers.IntegerField(allow_null=True)
    courses = serializers.IntegerField()
    reached = serializers.IntegerField()
    mean_predicted = serializers.FloatField()
    median_observed = serializers.FloatField(allow_null=True)


class CurveStepOut(serializers.Serializer[Any]):
    """After so many sessions: the share not yet at the goal."""

    time = serializers.FloatField(help_text="Sessions")
    not_done = serializers.FloatField()
    standard_error = serializers.FloatField()
    at_risk = serializers.IntegerField()
    done = serializers.IntegerField()


class CurveOut(serializers.Serializer[Any]):
    """Sessions to the goal; courses that run or were left are censored."""

    steps = CurveStepOut(many=True)
    median = serializers.FloatField(allow_null=True)


class LeftAfterOut(serializers.Serializer[Any]):
    """So many courses were left after so many sessions."""

    sessions = serializers.IntegerField()
    courses = serializers.IntegerField()


class DropOutOut(serializers.Serializer[Any]):
    """Courses left early, of those that ended."""

    share = ShareOut()
    after_sessions = LeftAfterOut(many=True)


class RefitFamilyOut(serializers.Serializer[Any]):
    """One distribution of sessions over score."""

    family = serializers.ChoiceField(choices=choices(Family))
    multiplier = serializers.FloatField(help_text="Sessions per point")
    multiplier_low = serializers.FloatField()
    multiplier_high = serializers.FloatField()
    coefficient_of_variation = serializers.FloatField()
    aic = serializers.FloatField()


class SlopeOut(serializers.Serializer[Any]):
    """How sessions rise with the score; 1 is the published use."""

    value = serializers.FloatField()
    low = serializers.FloatField()
    high = serializers.FloatField()
    as_published = serializers.BooleanField()


class RefitOut(serializers.Serializer[Any]):
    """The refit of the prior."""

    proposed = RefitFamilyOut()
    fits = RefitFamilyOut(many=True)
    slope = SlopeOut(allow_null=True)
    courses = serializers.IntegerField()
    reached = serializers.IntegerField()


class CountsOut(serializers.Serializer[Any]):
    """How the courses stand."""

    reached = serializers.IntegerField()
    running = serializers.IntegerField()
    dropped_out = serializers.IntegerField()
    stopped = serializers.IntegerField()


class ReportOut(ComputedOut):
    """The report. With too little data only counts and messages stand in it."""

    courses = serializers.IntegerField()
    left_out = serializers.IntegerField(help_text="Courses that could not be estimated")
    counts = CountsOut()
    enough = serializers.BooleanField()
    messages = serializers.ListField(child=serializers.CharField())
    accuracy = AccuracyOut(allow_null=True)
    coverage = CoverageOut(allow_null=True)
    groups = GroupOut(many=True)
    curve = CurveOut(allow_null=True)
    drop_out = DropOutOut(allow_null=True)
    refit = RefitOut(allow_null=True)


class CalibrationDecisionOut(serializers.ModelSerializer[CalibrationDecision]):
    """What a clinician decided of a run; kept for ever."""

    decided_by_name = serializers.CharField(source="decided_by.name", read_only=True)

    class Meta:
        model = CalibrationDecision
        fields = ("id", "kind", "reason", "decided_by", "decided_by_name", "decided_at")
        read_only_fields = fields


class CalibrationBrief(serializers.ModelSerializer[CalibrationRun]):
    """A calibration run in a list. The accepted one is the chain's prior."""

    messages = serializers.ListField(
        source="report.messages", child=serializers.CharField(), read_only=True
    )

    class Meta:
        model = CalibrationRun
        fields = (
            "id",
            "version",
            "number",
            "status",
            "courses",
            "reached",
            "multiplier",
            "coefficient_of_variation",
            "prior_version",
            "messages",
            "requested_by",
            "created_at",
        )
        read_only_fields: Any = fields


class CalibrationOut(CalibrationBrief):
    """A calibration run with its report and what clinicians decided."""

    report = ReportOut(read_only=True)
    decisions = CalibrationDecisionOut(many=True, read_only=True)

    class Meta(CalibrationBrief.Meta):
        fields = (*CalibrationBrief.Meta.fields, "report", "decisions")  # type: ignore[assignment]
        read_only_fields = fields


class CalibrationFilter(filters.FilterSet):
    """In which state."""

    status = filters.MultipleChoiceFilter(choices=choices(CalibrationStatus))

    class Meta:
        model = CalibrationRun
        fields = ("status",)


@extend_schema_view(
    list=extend_schema(responses=CalibrationBrief(many=True), summary="List calibration runs"),
    retrieve=extend_schema(summary="Show a calibration run"),
)
class CalibrationViewSet(ListMixin, RetrieveMixin):
    """Calibration runs of the chain."""

    queryset = CalibrationRun.objects.prefetch_related("decisions__decided_by")
    serializer_class = CalibrationOut
    filterset_class = CalibrationFilter
    http_method_names = ["get", "post", "head", "options"]
    conditional_if_told = ("accept", "refuse", "withdraw")
    policy = {
        "list": "calibration.read",
        "retrieve": "calibration.read",
        "create": "calibration.run",
        "accept": "calibration.decide",
        "refuse": "calibration.decide",
        "withdraw": "calibration.decide",
    }

    def get_serializer_class(self) -> Any:
        return CalibrationBrief if self.action == "list" else CalibrationOut

    @extend_schema(request=None, responses={201: CalibrationOut}, summary="Calibrate the estimate")
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Compare the chain's courses with what was predicted, and propose a prior.

        For the chain manager and treating clinicians. Below 30 courses it says that there is too
        little data. Nothing changes until a treating clinician accepts.
        """
        run = calibration_run(asker=self.actor, staff_id=self.actor.staff_id, now=self.now())
        return self.present(run, status=201)

    @extend_schema(request=NeededReasonIn, responses=CalibrationOut, summary="Accept a calibration")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def accept(self, request: Request, pk: str) -> Response:
        """Estimates read the scale by it from now on. For treating clinicians."""
        return self._decide(CalibrationDecisionKind.ACCEPT, pk)

    @extend_schema(request=NeededReasonIn, responses=CalibrationOut, summary="Refuse a calibration")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def refuse(self, request: Request, pk: str) -> Response:
        """It stays as it is and is not used. For treating clinicians."""
        return self._decide(CalibrationDecisionKind.REFUSE, pk)

    @extend_schema(
        request=NeededReasonIn, responses=CalibrationOut, summary="Withdraw a calibration"
    )
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def withdraw(self, request: Request, pk: str) -> Response:
        """Estimates go back to the chain's own multiplier. For treating clinicians."""
        return self._decide(CalibrationDecisionKind.WITHDRAW, pk)

    def _decide(self, kind: CalibrationDecisionKind, pk: str) -> Response:
        run = calibration_decide(
            run_id=int(pk),
            kind=kind,
            reason=self.parse(NeededReasonIn)["reason"],
            actor=self.actor,
            now=self.now(),
            expected_version=version_if_given(self.request),
        )
        return self.present(run)
