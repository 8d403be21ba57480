"""What providers tell later of messages, signed; and what they told."""

import hmac
from datetime import UTC, datetime
from typing import Any, Final

from django.conf import settings
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField
from core.api.filters import WholeNumberFilter
from core.api.permissions import PUBLIC
from core.api.views import FallowView
from core.api.viewsets import ListMixin, RetrieveMixin
from core.db import within_chain
from core.vocabulary import choices
from courses.errors import CallbackUnsigned, MessageUnknown
from courses.models import DeliveryReport
from courses.selectors.recalls.replies import message_chain
from courses.services.recalls.reports import Told, delivery_report_take
from courses.services.recalls.sending import KEY_PREFIX
from courses.timing.words import DeliveryOutcome

TIMESTAMP: Final = "Callback-Timestamp"
SIGNATURE: Final = "Callback-Signature"
FRESH_SECONDS: Final = 300


class DeliveryReportIn(serializers.Serializer[Any]):
    """A report about one message."""

    id = serializers.CharField(max_length=200, help_text="The provider's own name of this report")
    reference = serializers.RegexField(
        rf"^{KEY_PREFIX}[0-9]{{1,18}}$", help_text="The key under which the message was sent"
    )
    outcome = serializers.ChoiceField(choices=choices(DeliveryOutcome))
    happened_at = AwareDateTimeField()
    reason = serializers.CharField(max_length=60, allow_blank=True, default="")


class ReportTakenOut(serializers.Serializer[Any]):
    """`again`: the report was here before, and nothing was done."""

    again = serializers.BooleanField()


class DeliveryReportOut(serializers.ModelSerializer[DeliveryReport]):
    """What a provider told of a message."""

    class Meta:
        model = DeliveryReport
        fields = ("id", "message", "outcome", "reason", "happened_at", "received_at")
        read_only_fields = fields


class DeliveryReportFilter(filters.FilterSet):
    """Of which message, of whom, with which outcome."""

    message = WholeNumberFilter()
    patient = WholeNumberFilter(field_name="message__contact_point__patient")
    outcome = filters.MultipleChoiceFilter(choices=choices(DeliveryOutcome))

    class Meta:
        model = DeliveryReport
        fields = ("message",)


class DeliveryReportTakeView(FallowView):
    """Where providers tell what became of a message."""

    policy = {"post": PUBLIC}
    refusals = {"post": (403, 404)}
    authentication_classes = ()
    throttle_classes = ()

    @extend_schema(
        auth=[],
        parameters=[
            OpenApiParameter(TIMESTAMP, int, "header", required=True, description="Unix time, s"),
            OpenApiParameter(
                SIGNATURE,
                str,
                "header",
                required=True,
                description="Hex HMAC-SHA-256, under the shared secret, of time, a full stop "
                "and the body as sent",
            ),
        ],
        request=DeliveryReportIn,
        responses=ReportTakenOut,
        summary="Report what became of a message",
    )
    def post(self, request: Request) -> Response:
        """For providers that have the secret. A repeat of a report changes nothing.

        Signed at most five minutes ago. A bounce or a refusal turns the address off and the
        next way to reach the patient is tried.
        """
        now = self.now()
        require_signature(request, now=now)
        body = self.parse(DeliveryReportIn)
        message_id = int(body["reference"].removeprefix(KEY_PREFIX))
        chain_id = message_chain(message_id)
        if chain_id is None:
            raise MessageUnknown(message=message_id)
        told = Told(
            provider_id=body["id"],
            outcome=DeliveryOutcome(body["outcome"]),
            happened_at=body["happened_at"],
            reason=body["reason"],
        )
        with within_chain(chain_id):
            new = delivery_report_take(message_id=message_id, told=told, now=now)
        return self.show(ReportTakenOut, {"again": not new})


@extend_schema_view(
    list=extend_schema(summary="List delivery reports"),
    retrieve=extend_schema(summary="Show a delivery report"),
)
class DeliveryReportViewSet(ListMixin, RetrieveMixin):
    """What providers told of the chain's messages."""

    queryset = DeliveryReport.objects.all()
    serializer_class = DeliveryReportOut
    filterset_class = DeliveryReportFilter
    policy = {"list": "recall.read", "retrieve": "recall.read"}


def signature(body: bytes, *, timestamp: str, secret: str) -> str:
    """What a provider writes beside a body."""
    return hmac.new(secret.encode(), timestamp.encode() + b"." + body, "sha256").hexdigest()


def require_signature(request: Request, *, now: datetime) -> None:
    """Raise CallbackUnsigned unless the body was signed lately with the secret."""
    secret = settings.FALLOW_CALLBACK_SECRET
    timestamp = request.headers.get(TIMESTAMP, "")
    given = request.headers.get(SIGNATURE, "")
    if not (secret and timestamp.isascii() and timestamp.isdecimal() and len(timestamp) < 12):
        raise CallbackUnsigned
    age = now - datetime.fromtimestamp(int(timestamp), tz=UTC)
    # Before anything has read the stream, so that it can be parsed still.
    body = request._request.body  # noqa: SLF001
    wanted = signature(body, timestamp=timestamp, secret=secret)
    if abs(age.total_seconds()) > FRESH_SECONDS or not hmac.compare_digest(
        wanted.encode(), given.encode()
    ):
        raise CallbackUnsigned
