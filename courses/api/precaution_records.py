"""Answers about precautions as they were given, and what clinicians decided about them."""

from typing import Any

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.fields import DayField, VisibleRelatedField
from core.api.filters import WholeNumberFilter
from core.api.idempotency import idempotent
from core.api.serializers import GuardedOut
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from courses.models import Patient, PrecautionAnswers, PrecautionDecision
from courses.policy import FIELDS, MEDICAL
from courses.selectors.precautions import BY_ID
from courses.services.precautions import precaution_answers_record, precaution_decide
from courses.vocabulary import PrecautionDecisionKind


class PrecautionAnswersOut(GuardedOut, serializers.ModelSerializer[PrecautionAnswers]):
    """Answers of one patient as given on one local day; kept for ever."""

    guarded = FIELDS["PrecautionAnswersOut"]

    class Meta:
        model = PrecautionAnswers
        fields = (
            "id",
            "patient",
            "clinic",
            "questionnaire_version",
            "answers",
            "answered_on",
            "expires_on",
            "recorded_by",
            "recorded_at",
        )
        read_only_fields = fields


class PrecautionAnswersIn(serializers.Serializer[Any]):
    """Answers to some or all questions; the others stay as they stand."""

    patient = VisibleRelatedField(queryset=Patient.objects.all())
    answers = serializers.DictField(
        child=serializers.CharField(max_length=40),
        allow_empty=False,
        help_text="By key of the question: an option code, or an ISO date",
    )
    clinic = VisibleRelatedField(
        queryset=Clinic.objects.all(),
        required=False,
        allow_null=True,
        default=None,
        help_text="Where they were given. Left out: the home clinic",
    )
    answered_on = DayField(
        required=False, allow_null=True, default=None, help_text="Left out: today, there"
    )


class PrecautionDecisionOut(GuardedOut, serializers.ModelSerializer[PrecautionDecision]):
    """A clinician cleared a precaution, or took that back; kept for ever."""

    guarded = FIELDS["PrecautionDecisionOut"]

    decided_by_name = serializers.CharField(source="decided_by.name", read_only=True)

    class Meta:
        model = PrecautionDecision
        fields = (
            "id",
            "patient",
            "precaution",
            "kind",
            "reason",
            "decided_on",
            "valid_until",
            "decided_by",
            "decided_by_name",
            "decided_at",
        )
        read_only_fields = fields


class PrecautionDecisionIn(serializers.Serializer[Any]):
    """Which precaution, what about it, and why. A clearance ends when the answer changes."""

    patient = VisibleRelatedField(queryset=Patient.objects.all())
    precaution = serializers.ChoiceField(choices=sorted(BY_ID))
    kind = serializers.ChoiceField(choices=choices(PrecautionDecisionKind))
    reason = serializers.CharField(max_length=400)
    valid_until = DayField(required=False, allow_null=True, default=None, help_text="Included")


class OfPatientFilter(filters.FilterSet):
    """Whose."""

    patient = WholeNumberFilter()


class AnswersFilter(OfPatientFilter):
    """Whose, and from when."""

    answered_from = filters.DateFilter(field_name="answered_on", lookup_expr="gte")

    class Meta:
        model = PrecautionAnswers
        fields = ("patient",)


class DecisionsFilter(OfPatientFilter):
    """Whose, and about what."""

    precaution = filters.ChoiceFilter(choices=[(key, key) for key in sorted(BY_ID)])

    class Meta:
        model = PrecautionDecision
        fields = ("patient", "precaution")


@extend_schema_view(
    list=extend_schema(summary="List answers about precautions"),
    retrieve=extend_schema(summary="Show answers about precautions"),
)
class PrecautionAnswersViewSet(ListMixin, RetrieveMixin):
    """Answers about precautions, as they were given."""

    queryset = PrecautionAnswers.objects.all()
    serializer_class = PrecautionAnswersOut
    filterset_class = AnswersFilter
    http_method_names = ["get", "post", "head", "options"]
    policy = {
        "list": "precaution.read",
        "retrieve": "precaution.read",
        "create": "precaution.write",
    }

    @extend_schema(
        request=PrecautionAnswersIn,
        responses={201: PrecautionAnswersOut},
        summary="Record answers about precautions",
    )
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Record what a patient answered. Earlier answers stay; single ones are replaced.

        For the front desk, operators, treating clinicians and integrators. That gold medication
        was taken goes on the patient's record at once.
        """
        body = self.parse(PrecautionAnswersIn)
        recorded = precaution_answers_record(
            patient_id=body["patient"].pk,
            answers=body["answers"],
            clinic=body["clinic"],
            answered_on=body["answered_on"],
            actor=self.actor,
            now=self.now(),
        )
        return self.present(recorded, status=201)


@extend_schema_view(
    list=extend_schema(summary="List decisions about precautions"),
    retrieve=extend_schema(summary="Show a decision about a precaution"),
)
class PrecautionDecisionViewSet(ListMixin, RetrieveMixin):
    """What clinicians decided about precautions."""

    queryset = PrecautionDecision.objects.select_related("decided_by")
    serializer_class = PrecautionDecisionOut
    filterset_class = DecisionsFilter
    http_method_names = ["get", "post", "head", "options"]
    policy = {
        "list": "precaution.read",
        "retrieve": "precaution.read",
        "create": "precaution.decide",
    }

    def filter_queryset(self, queryset: Any) -> Any:
        """Who may not see which precaution it was may not ask for one either."""
        if "precaution" in self.request.query_params:
            self.actor.admit(MEDICAL)
        return super().filter_queryset(queryset)

    @extend_schema(
        request=PrecautionDecisionIn,
        responses={201: PrecautionDecisionOut},
        summary="Decide about a precaution",
    )
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Clear a precaution that stands, or take that back, with a reason.

        For treating clinicians. What blocks is not cleared.
        """
        body = self.parse(PrecautionDecisionIn)
        decided = precaution_decide(
            patient_id=body["patient"].pk,
            precaution=body["precaution"],
            kind=PrecautionDecisionKind(body["kind"]),
            reason=body["reason"],
            valid_until=body["valid_until"],
            actor=self.actor,
            now=self.now(),
        )
        return self.present(decided, status=201)
