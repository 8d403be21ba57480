"""For those who watch the service: numbers for Prometheus, and a light that turns red."""

import hmac
from typing import Any, Final

from django.conf import settings
from django.http import HttpResponse
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.permissions import PUBLIC
from core.api.traffic import traffic
from core.api.views import FallowView
from core.errors import NotFound
from courses.api.calendar_feeds import AnyAccept
from courses.selectors.recalls.operation import MessageGauges, message_gauges, message_health

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
GAUGES: Final = {
    "due": "Messages that are due and have not left.",
    "late": "Messages that have been due for more than five minutes.",
    "oldest_s": "How long the message that is due longest has waited, in seconds.",
    "calls": "Calls that wait for the front desk.",
    "unreachable": "Recalls of patients whom no way reaches.",
    "sent_day": "Messages that left in the last 24 hours.",
    "failed_day": "Messages that ended without effect in the last 24 hours.",
    "to_plan": "Courses whose plan is to be looked at.",
    "plans_failing": "Courses that could not be planned when they were last looked at.",
    "to_close": "Healing windows whose time has come and that are not closed.",
}
NAMES: Final = {
    "due": "fallow_messages_due",
    "late": "fallow_messages_late",
    "oldest_s": "fallow_messages_oldest_waiting_seconds",
    "calls": "fallow_calls_waiting",
    "unreachable": "fallow_recalls_unreachable",
    "sent_day": "fallow_messages_sent_24h",
    "failed_day": "fallow_messages_failed_24h",
    "to_plan": "fallow_plans_due",
    "plans_failing": "fallow_plans_failing",
    "to_close": "fallow_windows_due",
}


class MessageHealthOut(serializers.Serializer[Any]):
    """`late`: something that is due has not left for longer than it may.

    `plans_failing` counts the courses that cannot be planned, up to 1 000; their messages wait.
    """

    late = serializers.BooleanField()
    oldest_waiting_s = serializers.FloatField()
    late_after_s = serializers.IntegerField()
    plans_failing = serializers.IntegerField()


class MetricsView(FallowView):
    """Numbers in the text format that Prometheus reads."""

    policy = {"get": PUBLIC}
    refusals = {"get": (404,)}
    untagged = ("get",)
    authentication_classes = ()
    throttle_classes = ()
    content_negotiation_class = AnyAccept

    @extend_schema(
        auth=[],
        responses={(200, "text/plain"): OpenApiResponse(str, "Prometheus text format 0.0.4")},
        summary="Numbers for watchers",
    )
    def get(self, request: Request) -> HttpResponse:
        """Counts over all chains, of nobody in particular.

        For whoever sends the token of the setting FALLOW_METRICS_TOKEN as a Bearer; without that
        setting there is no such page.
        """
        given = request.headers.get("Authorization", "")
        wanted = f"Bearer {settings.FALLOW_METRICS_TOKEN}"
        known = hmac.compare_digest(given.encode(), wanted.encode())
        if not (settings.FALLOW_METRICS_TOKEN and known):
            raise NotFound
        numbers = exposition(message_gauges(now=self.now())) + traffic()
        return HttpResponse(numbers, content_type=CONTENT_TYPE)


class MessageHealthView(FallowView):
    """Whether messages leave in time."""

    policy = {"get": PUBLIC}
    authentication_classes = ()
    throttle_classes = ()

    @extend_schema(
        auth=[],
        operation_id="health_messages",
        responses={200: MessageHealthOut, 503: MessageHealthOut},
        summary="Whether messages leave in time",
    )
    def get(self, request: Request) -> Response:
        """503 when the oldest message that is due is late (FALLOW_LATE_SECONDS). Public."""
        health = message_health(now=self.now())
        late = health.oldest_s > settings.FALLOW_LATE_SECONDS
        answer = {
            "late": late,
            "oldest_waiting_s": health.oldest_s,
            "late_after_s": settings.FALLOW_LATE_SECONDS,
            "plans_failing": health.plans_failing,
        }
        return self.show(MessageHealthOut, answer, status=503 if late else 200)


def exposition(gauges: MessageGauges) -> str:
    """The gauges in Prometheus' text format, version 0.0.4."""
    lines = []
    for field, name in NAMES.items():
        lines += [
            f"# HELP {name} {GAUGES[field]}",
            f"# TYPE {name} gauge",
            f"{name} {getattr(gauges, field):g}",
        ]
    return "\n".join(lines) + "\n"
