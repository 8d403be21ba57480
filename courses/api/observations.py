"""What the skin shows after a session."""

from typing import Any

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import DayField, VisibleRelatedField
from core.api.filters import WholeNumberFilter, YesNoFilter
from core.api.idempotency import idempotent
from core.api.serializers import GuardedOut
from core.vocabulary import choices
from courses.api.base import NeededReasonIn, RecordViewSet, version_if_given
from courses.models import Course, Observation, Session
from courses.policy import FIELDS
from courses.services.observations import (
    observation_enter_in_error,
    observation_record,
    observation_resolve,
)
from courses.vocabulary import ObservationKind, ObservationStatus, Severity, WindowState


class WindowBrief(serializers.Serializer[Any]):
    """How the healing window stands after this."""

    id = serializers.IntegerField()
    state = serializers.ChoiceField(choices=choices(WindowState))
    earliest_on = serializers.DateField(allow_null=True)
    advised_on = serializers.DateField(allow_null=True)


class ObservationOut(GuardedOut, serializers.ModelSerializer[Observation]):
    """One finding. Statuses are FHIR Observation.status; `healing_window` is its session's."""

    guarded = FIELDS["ObservationOut"]

    healing_window = WindowBrief(
        source="session.healing_window", read_only=True, allow_null=True, default=None
    )

    class Meta:
        model = Observation
        fields = (
            "id",
            "version",
            "course",
            "session",
            "kind",
            "severity",
            "status",
            "status_reason",
            "observed_on",
            "began_on",
            "resolved_on",
            "note",
            "recorded_by",
            "healing_window",
            "created_at",
        )
        read_only_fields = fields


class ObservationIn(serializers.Serializer[Any]):
    """A new finding; dates are local ones of the clinic."""

    course = VisibleRelatedField(queryset=Course.objects.all())
    session = VisibleRelatedField(
        queryset=Session.objects.all(),
        required=False,
        allow_null=True,
        help_text="Left out: the last session up to that day",
    )
    kind = serializers.ChoiceField(choices=choices(ObservationKind))
    severity = serializers.ChoiceField(choices=choices(Severity), default=Severity.MILD)
    observed_on = DayField()
    began_on = DayField(required=False, allow_null=True)
    resolved_on = DayField(required=False, allow_null=True)
    note = serializers.CharField(max_length=400, allow_blank=True, default="")


class ResolveIn(serializers.Serializer[Any]):
    """When it had gone."""

    resolved_on = DayField()
    note = serializers.CharField(max_length=400, allow_blank=True, default="")


class ObservationFilter(filters.FilterSet):
    """Of which course or session, of what kind, in which state."""

    course = WholeNumberFilter()
    session = WholeNumberFilter()
    patient = WholeNumberFilter(field_name="course__patient")
    kind = filters.MultipleChoiceFilter(choices=choices(ObservationKind))
    status = filters.MultipleChoiceFilter(choices=choices(ObservationStatus))
    resolved = YesNoFilter(field_name="resolved_on", lookup_expr="isnull", exclude=True)

    class Meta:
        model = Observation
        fields = ("course", "session")


@extend_schema_view(
    list=extend_schema(summary="List observations"),
    retrieve=extend_schema(summary="Show an observation"),
)
class ObservationViewSet(RecordViewSet):
    """What the skin of the chain's patients shows."""

    queryset = Observation.objects.select_related("session__healing_window")
    serializer_class = ObservationOut
    filterset_class = ObservationFilter
    refusals = {"create": (404,)}
    conditional_if_told = ("resolve", "mark_entered_in_error")
    policy = {
        "list": "medical_detail.read",
        "retrieve": "medical_detail.read",
        "create": "observation.write",
        "resolve": "observation.resolve",
        "mark_entered_in_error": "observation.correct",
    }

    @extend_schema(
        request=ObservationIn, responses={201: ObservationOut}, summary="Record an observation"
    )
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Record what the skin shows; the healing window is computed anew at once.

        For laser operators, treating clinicians and the front desk. Skin held until it is seen
        flat is looked at by a treating clinician.
        """
        fields = self.parse(ObservationIn)
        session = fields.pop("session", None)
        observation = observation_record(
            course_id=fields.pop("course").pk,
            session_id=None if session is None else session.pk,
            fields=fields,
            actor=self.actor,
            now=self.now(),
        )
        return self.present(self._anew(observation), status=201)

    @extend_schema(request=ResolveIn, responses=ObservationOut, summary="Resolve an observation")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def resolve(self, request: Request, pk: str) -> Response:
        """Record the day on which it had gone; the window is computed anew at once.

        For laser operators and treating clinicians: the window may close on it.
        """
        body = self.parse(ResolveIn)
        observation = observation_resolve(
            observation_id=int(pk),
            resolved_on=body["resolved_on"],
            note=body["note"],
            actor=self.actor,
            now=self.now(),
            expected_version=version_if_given(request),
        )
        return self.present(self._anew(observation))

    @extend_schema(
        request=NeededReasonIn,
        responses=ObservationOut,
        summary="Mark an observation as entered in error",
    )
    @action(detail=True, methods=["post"], url_path="mark-entered-in-error")
    @idempotent(required=False)
    def mark_entered_in_error(self, request: Request, pk: str) -> Response:
        """It was never there: it no longer counts for the window, and stays to be seen.

        For treating clinicians.
        """
        observation = observation_enter_in_error(
            observation_id=int(pk),
            reason=self.parse(NeededReasonIn)["reason"],
            actor=self.actor,
            now=self.now(),
            expected_version=version_if_given(request),
        )
        return self.present(self._anew(observation))

    def _anew(self, observation: Observation) -> Observation:
        found: Observation = self.get_queryset().get(pk=observation.pk)
        return found
