"""What became of invitations, by step and channel."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.fields import DayField
from core.api.filters import invalid_parameter, parsed_query
from core.api.serializers import END_FIRST
from core.api.views import FallowView
from core.vocabulary import choices
from courses.selectors.recalls.booking_rates import WITHIN, BookingRate, booking_rates
from courses.vocabulary import Channel

RATE_NOTE: Final = (
    "A booking counts for the last invitation before it, within 28 days. It followed; nothing "
    "says that the invitation was its cause."
)


class BookingRateOut(serializers.Serializer[Any]):
    """Invitations of one step by one channel; an exact (Clopper-Pearson) interval."""

    step = serializers.CharField()
    channel = serializers.ChoiceField(choices=choices(Channel))
    sent = serializers.IntegerField()
    booked = serializers.IntegerField()
    pending = serializers.IntegerField(
        help_text="Of those without a booking: sent less than `within_days` ago, so that one may "
        "still count. They make the rate look lower than it will be."
    )
    rate = serializers.FloatField()
    low = serializers.FloatField()
    high = serializers.FloatField()


class BookingRatesOut(serializers.Serializer[Any]):
    """What followed invitations."""

    since = serializers.DateField()
    until = serializers.DateField(help_text="Excluded")
    within_days = serializers.IntegerField()
    level = serializers.FloatField()
    rates = BookingRateOut(many=True)
    note = serializers.CharField()


class BookingRatesQuery(serializers.Serializer[Any]):
    """Which invitations."""

    since = DayField()
    until = DayField()
    clinic = serializers.ListField(
        child=serializers.IntegerField(min_value=1), required=False, max_length=250
    )
    level = serializers.FloatField(min_value=0.5, max_value=0.999, default=0.95)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """The end is excluded, so it must come later."""
        if attrs["until"] <= attrs["since"]:
            raise serializers.ValidationError({"until": END_FIRST}, code="order")
        return attrs


class BookingRatesView(FallowView):
    """From recall to booking."""

    policy = {"get": "recall_outcome.read"}
    extra_query_params = tuple(BookingRatesQuery().fields)
    repeatable_query_params = ("clinic",)

    @extend_schema(
        parameters=[BookingRatesQuery],
        responses=BookingRatesOut,
        summary="Show from recall to booking",
    )
    def get(self, request: Request) -> Response:
        """Invitations by step and channel, and how many a booking followed. For chain managers."""
        query = parsed_query(BookingRatesQuery, request)
        asked = query.get("clinic")
        own = set(Clinic.objects.visible_to(self.actor).values_list("pk", flat=True))
        if asked is not None and not set(asked) <= own:
            raise invalid_parameter("clinic", detail="There is no such clinic here.")
        rates = booking_rates(
            since=query["since"],
            until=query["until"],
            clinics=asked,
            level=query["level"],
            actor=self.actor,
            now=self.now(),
        )
        answer = {
            "since": query["since"],
            "until": query["until"],
            "within_days": WITHIN.days,
            "level": query["level"],
            "rates": [_shown(rate) for rate in rates],
            "note": RATE_NOTE,
        }
        return self.show(BookingRatesOut, answer)


def _shown(rate: BookingRate) -> dict[str, Any]:
    share = rate.share
    return {
        "step": rate.step,
        "channel": rate.channel,
        "sent": share.cases,
        "booked": share.events,
        "pending": rate.pending,
        "rate": share.rate,
        "low": share.low,
        "high": share.high,
    }
