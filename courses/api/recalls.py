"""Recalls and their messages: what the front desk sees, withdraws and calls about."""

from typing import Any

from django.db.models import Prefetch, Q, QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.filters import InstantFilter, WholeNumberFilter
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from courses.api.base import version_if_given
from courses.models import Message, Patient, Recall
from courses.services.recalls.desk import call_record, outcome_record, recall_withdraw
from courses.timing.words import CallOutcome, FoundOut
from courses.vocabulary import Channel, MessageStatus, RecallKind, RecallReason, RequestStatus

REASON_HELP = "A code of the service (such as `booked`, `opted_out`) or a person's own words"


class PatientBrief(serializers.ModelSerializer[Patient]):
    """Whom it is about."""

    class Meta:
        model = Patient
        fields = ("id", "given_name", "family_name")
        read_only_fields = fields


class MessageOut(serializers.ModelSerializer[Message]):
    """One message on one channel. Statuses are FHIR Communication.status.

    `on-hold` is a call that waits to be made; the number stands in the contact point. `stopped`
    with `outcome_unknown`: nobody knows whether it arrived, and no other way is tried until the
    provider tells or somebody finds out (`record-outcome`).
    """

    status_reason = serializers.CharField(read_only=True, help_text=REASON_HELP)

    class Meta:
        model = Message
        fields = (
            "id",
            "version",
            "recall",
            "contact_point",
            "channel",
            "status",
            "status_reason",
            "due_at",
            "attempt",
            "lease_until",
            "sent_at",
            "delivered_at",
            "provider_reference",
        )
        read_only_fields = fields


class RecallOut(serializers.ModelSerializer[Recall]):
    """One thing to tell a patient. Statuses are FHIR CommunicationRequest.status.

    `on-hold`: nobody could be reached. `clinic` leads the course; `time_zone` is that clinic's.
    """

    patient = PatientBrief(source="course.patient", read_only=True)
    clinic = serializers.IntegerField(source="course.clinic_id", read_only=True)
    time_zone = serializers.CharField(source="course.clinic.time_zone", read_only=True)
    healing_window = serializers.IntegerField(source="window_id", read_only=True, allow_null=True)
    status_reason = serializers.CharField(read_only=True, help_text=REASON_HELP)
    messages = MessageOut(many=True, read_only=True)

    class Meta:
        model = Recall
        fields = (
            "id",
            "version",
            "course",
            "patient",
            "clinic",
            "time_zone",
            "healing_window",
            "appointment",
            "session",
            "kind",
            "step",
            "cadence",
            "template",
            "due_at",
            "status",
            "status_reason",
            "withdrawn_by",
            "messages",
            "created_at",
        )
        read_only_fields = fields


class WithdrawIn(serializers.Serializer[Any]):
    """Why nobody is to be told any more."""

    reason = serializers.CharField(max_length=200, help_text="Kept with the recall")


class CallIn(serializers.Serializer[Any]):
    """What came of the call."""

    outcome = serializers.ChoiceField(choices=choices(CallOutcome))


class FoundOutIn(serializers.Serializer[Any]):
    """What was found out."""

    outcome = serializers.ChoiceField(
        choices=choices(FoundOut),
        help_text="`heard`: the patient knows; `not_heard`: tell them by the next contact point",
    )


class RecallFilter(filters.FilterSet):
    """Of whom, where, of what kind, in which state, due when."""

    start = InstantFilter(field_name="due_at", lookup_expr="gte")
    end = InstantFilter(field_name="due_at", lookup_expr="lt")
    clinic = WholeNumberFilter(field_name="course__clinic")
    patient = WholeNumberFilter(field_name="course__patient")
    course = WholeNumberFilter()
    kind = filters.MultipleChoiceFilter(choices=choices(RecallKind))
    status = filters.MultipleChoiceFilter(choices=choices(RequestStatus))

    class Meta:
        model = Recall
        fields = ("course",)


class MessageFilter(filters.FilterSet):
    """Of which recall, where, on which channel, in which state, due when."""

    start = InstantFilter(field_name="due_at", lookup_expr="gte")
    end = InstantFilter(field_name="due_at", lookup_expr="lt")
    clinic = WholeNumberFilter(field_name="recall__course__clinic")
    patient = WholeNumberFilter(field_name="recall__course__patient")
    recall = WholeNumberFilter()
    channel = filters.MultipleChoiceFilter(choices=choices(Channel))
    status = filters.MultipleChoiceFilter(choices=choices(MessageStatus))
    # A BooleanFilter would take any other word for no filter.
    outcome_unknown = filters.TypedChoiceFilter(
        method="to_find_out",
        choices=[("true", "true"), ("false", "false")],
        coerce=lambda told: told == "true",
        help_text="Whether somebody has to find out if it arrived (`record-outcome`)",
    )

    class Meta:
        model = Message
        fields = ("recall",)

    def to_find_out(self, rows: QuerySet[Any], _name: str, value: Any) -> QuerySet[Any]:
        """Only those of which nobody knows, or all others."""
        unknown = Q(status=MessageStatus.STOPPED, status_reason=RecallReason.OUTCOME_UNKNOWN)
        return rows.filter(unknown if value else ~unknown)


@extend_schema_view(
    list=extend_schema(summary="List recalls"),
    retrieve=extend_schema(summary="Show a recall"),
)
class RecallViewSet(ListMixin, RetrieveMixin):
    """What patients are to be told, step by step; and how far that is.

    Steps stand here two weeks before they are due. They follow the course: what is not wanted any
    more is withdrawn, with the reason.
    """

    queryset = Recall.objects.select_related("course__patient", "course__clinic").prefetch_related(
        Prefetch("messages", queryset=Message.objects.order_by("pk"))
    )
    serializer_class = RecallOut
    filterset_class = RecallFilter
    keyset = ("due_at", "id")
    conditional_if_told = ("withdraw",)
    policy = {
        "list": "recall.read",
        "retrieve": "recall.read",
        "withdraw": "recall.write",
    }

    @extend_schema(request=WithdrawIn, responses=RecallOut, summary="Withdraw a recall")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def withdraw(self, request: Request, pk: str) -> Response:
        """Nobody is to be told any more, by any step about the same thing. Safe to repeat.

        What has not left stays here, and steps that are to come are not planned, until another
        window or a visit that falls through. Between two steps name one that was sent: it keeps
        its status. 422 `nothing_to_withdraw` when no step stands or is to come.

        For the front desk and the treating clinician of the clinic that leads the course.
        """
        # A repeat changes nothing, and shows the row all the same.
        self.shown = [int(pk)]
        recall = recall_withdraw(
            recall_id=int(pk),
            reason=self.parse(WithdrawIn)["reason"],
            actor=self.actor,
            now=self.now(),
            expected_version=version_if_given(request),
        )
        return self.present(self.get_queryset().get(pk=recall.pk))


@extend_schema_view(
    list=extend_schema(summary="List messages"),
    retrieve=extend_schema(summary="Show a message"),
)
class MessageViewSet(ListMixin, RetrieveMixin):
    """What was sent, is to be sent, or waits to be told by telephone."""

    queryset = Message.objects.all()
    serializer_class = MessageOut
    filterset_class = MessageFilter
    keyset = ("due_at", "id")
    conditional = ("record_call", "record_outcome")
    policy = {
        "list": "recall.read",
        "retrieve": "recall.read",
        "record_call": "recall.write",
        "record_outcome": "recall.write",
    }

    @extend_schema(request=CallIn, responses=MessageOut, summary="Record a call")
    @action(detail=True, methods=["post"], url_path="record-call")
    @idempotent(required=False)
    def record_call(self, request: Request, pk: str) -> Response:
        """Record what came of a call on the list (`channel=phone`, `status=on-hold`).

        Whoever was not reached is called again the next day, three times in all. Needs If-Match,
        so that one call is not counted twice. For the front desk and the treating clinician of
        the clinic that leads the course.
        """
        message = call_record(
            message_id=int(pk),
            outcome=CallOutcome(self.parse(CallIn)["outcome"]),
            actor=self.actor,
            now=self.now(),
            expected_version=expected_version(request),
        )
        return self.present(message)

    @extend_schema(
        request=FoundOutIn, responses=MessageOut, summary="Record whether a message arrived"
    )
    @action(detail=True, methods=["post"], url_path="record-outcome")
    @idempotent(required=False)
    def record_outcome(self, request: Request, pk: str) -> Response:
        """Record what was found out about a message with `outcome_unknown`.

        `heard` ends its recall as told. `not_heard` tells the patient by the next contact point
        while the step stands; without one the recall stays `on-hold`, as `unreachable`. 422
        `outcome_known` for any other message. Needs If-Match. For the front desk and the treating
        clinician of the clinic that leads the course.
        """
        message = outcome_record(
            message_id=int(pk),
            found=FoundOut(self.parse(FoundOutIn)["outcome"]),
            actor=self.actor,
            now=self.now(),
            expected_version=expected_version(request),
        )
        return self.present(message)
