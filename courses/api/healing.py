"""Healing windows: shown, explained, and decided on by treating clinicians."""

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.filters import WholeNumberFilter, invalid_parameter
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import ComputedOut, GuardedOut
from core.vocabulary import choices
from courses.api.base import RecordViewSet
from courses.healing import REGISTRY
from courses.models import HealingDecision, HealingWindow, HealingWindowVersion
from courses.policy import FIELDS
from courses.selectors.explanations import (
    Explanation,
    appointments_inside,
    lasting_reactions,
    window_explained,
)
from courses.services.healing import window_release, window_shorten
from courses.vocabulary import DecisionKind, SessionStatus, WindowState


class HealingWindowOut(serializers.ModelSerializer[HealingWindow]):
    """The span after a session in which the same skin must not be treated.

    Dates are local ones of the clinic in `time_zone`; `closes_at` is the instant at which
    `earliest_on` begins there.
    """

    time_zone = serializers.CharField(source="session.clinic.time_zone", read_only=True)
    patient = serializers.IntegerField(source="course.patient_id", read_only=True)
    clinic = serializers.IntegerField(source="session.clinic_id", read_only=True)

    class Meta:
        model = HealingWindow
        fields = (
            "id",
            "version",
            "session",
            "course",
            "patient",
            "clinic",
            "time_zone",
            "state",
            "opened_on",
            "earliest_on",
            "advised_on",
            "closes_at",
            "shortened",
            "number",
        )
        read_only_fields = fields


class OutcomeRuleOut(serializers.Serializer[Any]):
    """The rule behind an answer, as it was at that version."""

    id = serializers.CharField()
    version = serializers.CharField()
    effect = serializers.CharField()
    kind = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    explanation = serializers.CharField()
    parameters = serializers.DictField()


class OutcomeOut(serializers.Serializer[Any]):
    """What one rule answered."""

    rule = OutcomeRuleOut()
    standing = serializers.CharField()
    reason = serializers.CharField()
    on = serializers.DateField(allow_null=True)
    hold = serializers.CharField(allow_null=True)
    set_aside = serializers.BooleanField()
    keys = serializers.ListField(child=serializers.CharField())
    released_by = serializers.CharField()


class HoldOut(serializers.Serializer[Any]):
    """Why no date can be said, and what ends that."""

    rule_id = serializers.CharField()
    until = serializers.CharField()
    reason = serializers.CharField()
    findings = serializers.ListField(child=serializers.CharField())


class FlagOut(serializers.Serializer[Any]):
    """A reaction that lasts, or lasted, longer than usual; `since` is when that time was over.

    `refer`: a physician should see it. It moves no date.
    """

    kind = serializers.CharField()
    key = serializers.CharField()
    since = serializers.DateField()
    refer = serializers.BooleanField()
    text = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class DecisionOut(serializers.ModelSerializer[HealingDecision]):
    """What a clinician decided, for ever."""

    decided_by_name = serializers.CharField(source="decided_by.name", read_only=True)

    class Meta:
        model = HealingDecision
        fields = (
            "id",
            "kind",
            "rule_ids",
            "earliest_on",
            "window_number",
            "reason",
            "decided_by",
            "decided_by_name",
            "decided_at",
        )
        read_only_fields = fields


class ExplanationOut(GuardedOut, ComputedOut):
    """A version of a window with every rule's answer."""

    guarded = FIELDS["ExplanationOut"]

    healing_window = serializers.IntegerField()
    number = serializers.IntegerField()
    cause = serializers.CharField(help_text="What made this version: `<table>:<id>`")
    computed_at = serializers.DateTimeField()
    state = serializers.ChoiceField(choices=choices(WindowState))
    earliest_on = serializers.DateField(allow_null=True)
    advised_on = serializers.DateField(allow_null=True)
    not_before = serializers.DateField(
        allow_null=True, help_text="The date without the holds; null for never"
    )
    shortened = serializers.BooleanField()
    summary = serializers.CharField()
    facts = serializers.DictField()
    bound = OutcomeOut(many=True)
    applied_not_binding = OutcomeOut(many=True)
    not_applicable = OutcomeOut(many=True)
    holds = HoldOut(many=True)
    decisions = DecisionOut(many=True)
    flags = FlagOut(many=True, help_text="As of today, whichever version is shown")
    appointments_inside = serializers.ListField(
        child=serializers.IntegerField(),
        help_text="Open appointments that begin before the window closes",
    )


class VersionOut(serializers.ModelSerializer[HealingWindowVersion]):
    """A window as it was computed once."""

    class Meta:
        model = HealingWindowVersion
        fields = ("number", "state", "earliest_on", "advised_on", "cause", "created_at")
        read_only_fields = fields


class VersionsOut(serializers.Serializer[Any]):
    """All versions of a window, oldest first."""

    items = VersionOut(many=True)


class ReleaseIn(serializers.Serializer[Any]):
    """Which holds a clinician releases, and why."""

    rule_ids = serializers.ListField(
        child=serializers.ChoiceField(choices=sorted(REGISTRY)),
        max_length=len(REGISTRY),
        default=list,
        help_text="Without any: all holds there are",
    )
    reason = serializers.CharField(max_length=400)


class ShortenIn(serializers.Serializer[Any]):
    """An earlier date for this one case, and why."""

    earliest_on = serializers.DateField()
    reason = serializers.CharField(max_length=400)


class HealingWindowFilter(filters.FilterSet):
    """Of which course, in which state, closing when."""

    course = WholeNumberFilter()
    session = WholeNumberFilter()
    patient = WholeNumberFilter(field_name="course__patient")
    clinic = WholeNumberFilter(field_name="session__clinic")
    state = filters.MultipleChoiceFilter(choices=choices(WindowState))
    closes_from = filters.DateFilter(field_name="earliest_on", lookup_expr="gte")
    closes_until = filters.DateFilter(
        field_name="earliest_on", lookup_expr="lt", help_text="Excluded"
    )
    decided = filters.ChoiceFilter(
        choices=choices(DecisionKind), method="by_decision", help_text="Released or shortened"
    )

    class Meta:
        model = HealingWindow
        fields = ("course", "session")

    def by_decision(
        self, rows: QuerySet[HealingWindow], _name: str, value: str
    ) -> QuerySet[HealingWindow]:
        """Windows about which a clinician decided so."""
        return rows.filter(decisions__kind=value).distinct()


@extend_schema_view(
    list=extend_schema(summary="List healing windows"),
    retrieve=extend_schema(summary="Show a healing window"),
)
class HealingWindowViewSet(RecordViewSet):
    """Healing windows of the chain's courses."""

    queryset = HealingWindow.objects.select_related("session__clinic", "course")
    serializer_class = HealingWindowOut
    filterset_class = HealingWindowFilter
    http_method_names = ["get", "post", "head", "options"]
    conditional = (
        "release",
        "shorten",
    )
    policy = {
        "list": "healing.read",
        "retrieve": "healing.read",
        "explain": "healing.read",
        "versions": "healing.read",
        "release": "healing.decide",
        "shorten": "healing.decide",
    }

    def get_queryset(self) -> QuerySet[HealingWindow]:
        """A list leaves out the windows of sessions entered in error: nobody waits for them."""
        rows = super().get_queryset()
        if self.action != "list":
            return rows
        return rows.exclude(session__status=SessionStatus.ENTERED_IN_ERROR)

    def query_names(self) -> Any:
        return {*super().query_names(), *(["number"] if self.action == "explain" else [])}

    @extend_schema(
        parameters=[OpenApiParameter("number", int, description="A version; the newest if none")],
        responses=ExplanationOut,
        summary="Explain a healing window",
    )
    @action(detail=True, methods=["get"])
    def explain(self, request: Request, pk: str) -> Response:
        """The rules that bound and those that did not, as they were stored.

        For whoever may see healing windows.
        """
        window = self.get_object()
        found = window_explained(window, number=self._number(request))
        inside = appointments_inside(window, now=self.now()).values_list("pk", flat=True)
        shown = {
            **_explained(found, inside=list(inside)),
            "flags": lasting_reactions(window, now=self.now()),
        }
        return self.show(ExplanationOut, shown)

    @extend_schema(responses=VersionsOut, summary="List the versions of a healing window")
    @action(detail=True, methods=["get"])
    def versions(self, request: Request, pk: str) -> Response:
        """Every version that was computed. For whoever may see healing windows."""
        rows = self.get_object().versions.order_by("number")
        return self.show(VersionsOut, {"items": rows})

    @extend_schema(
        request=ReleaseIn, responses=HealingWindowOut, summary="Release a healing window"
    )
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def release(self, request: Request, pk: str) -> Response:
        """Lift holds after looking at the skin. For treating clinicians; needs If-Match."""
        body = self.parse(ReleaseIn)
        window = window_release(
            window_id=int(pk),
            rule_ids=body["rule_ids"],
            reason=body["reason"],
            actor=self.actor,
            now=self.now(),
            expected_version=expected_version(request),
        )
        return self.present(window)

    @extend_schema(
        request=ShortenIn, responses=HealingWindowOut, summary="Shorten a healing window"
    )
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def shorten(self, request: Request, pk: str) -> Response:
        """An earlier date for this one case, marked for ever; holds stay.

        For treating clinicians; needs If-Match.
        """
        body = self.parse(ShortenIn)
        window = window_shorten(
            window_id=int(pk),
            earliest_on=body["earliest_on"],
            reason=body["reason"],
            actor=self.actor,
            now=self.now(),
            expected_version=expected_version(request),
        )
        return self.present(window)

    def _number(self, request: Request) -> int | None:
        given = request.query_params.get("number")
        if given is None:
            return None
        if not (given.isascii() and given.isdecimal() and len(given) < 10):
            raise invalid_parameter("number", detail="A whole number.")
        return int(given)


def _explained(found: Explanation, *, inside: list[int]) -> dict[str, Any]:
    version = found.version
    return {
        "healing_window": found.window.pk,
        "number": version.number,
        "cause": version.cause,
        "computed_at": version.created_at,
        "state": version.state,
        "earliest_on": version.earliest_on,
        "advised_on": version.advised_on,
        "not_before": found.not_before,
        "shortened": found.window.shortened,
        "summary": found.summary,
        "facts": version.facts,
        "bound": found.bound,
        "applied_not_binding": found.applied,
        "not_applicable": found.not_applicable,
        "holds": found.holds,
        "decisions": found.decisions,
        "appointments_inside": inside,
        "basis": found.basis,
        "caution": found.caution,
    }
