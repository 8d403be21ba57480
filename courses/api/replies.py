"""What patients do at the address in a message: look, book, ask for later, stop. Public.

GET and HEAD change nothing: programs that look at mail before people do follow every address. A
browser, which asks for text/html, gets pages (`reply_pages`), everybody else JSON.
"""

from dataclasses import asdict
from functools import partial
from typing import Any, Final

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ParseError
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import DayField
from core.api.parsers import StrictJSONParser
from core.api.permissions import PUBLIC
from core.db import reading, within_chain
from core.errors import Conflict, Malformed, Refused
from core.vocabulary import choices
from courses.api.reply_forms import FormParser, OneClickParser, OneClickPartsParser
from courses.api.reply_links import LinkView, ReplyOut
from courses.api.reply_slots import OfferedSlot, offered_slots, offered_visit
from courses.channels import LinkPurpose
from courses.errors import LinkUnknown, ReplyNotOffered, ReplyOver, SlotTaken
from courses.selectors.recalls.replies import Offer, offer_of
from courses.selectors.recalls.steps import clinic_of
from courses.services.recalls.replies import reply_book, reply_later, reply_stop
from courses.timing.words import ReplyKind
from courses.vocabulary import RecallKind

SHOWN: Final = {(200, "text/html"): OpenApiTypes.STR}
LOOK_AGAIN: Final = OpenApiResponse(description="For a page: see what stands now")
WHERE: Final = OpenApiParameter(
    "Location",
    str,
    OpenApiParameter.HEADER,
    required=True,
    description="The page of the address, from the root.",
    response=[303],
)
ANSWERED: Final = {(200, "application/json"): ReplyOut, 303: LOOK_AGAIN}


class OfferedSlotOut(serializers.Serializer[Any]):
    """A time that can be booked; `slot` is what to send back."""

    slot = serializers.CharField()
    start = serializers.DateTimeField()
    end = serializers.DateTimeField()
    clinic = serializers.CharField(help_text="Its name")
    time_zone = serializers.CharField()


class ReplyPageOut(serializers.Serializer[Any]):
    """What an address is for, and what can be answered."""

    about = serializers.ChoiceField(choices=choices(RecallKind))
    clinic = serializers.CharField(help_text="Its name")
    phone = serializers.CharField(help_text="Of the clinic, in E.164; empty when nobody said")
    language = serializers.CharField()
    over = serializers.BooleanField(help_text="Nothing can be booked or put off (any more)")
    replied = serializers.ChoiceField(choices=choices(ReplyKind), allow_null=True)
    can = serializers.ListField(child=serializers.ChoiceField(choices=choices(ReplyKind)))
    slots = OfferedSlotOut(many=True)


class ReplyBookIn(serializers.Serializer[Any]):
    """The time that was chosen."""

    slot = serializers.CharField(max_length=4000)


class ReplyLaterIn(serializers.Serializer[Any]):
    """When to ask again."""

    until = DayField()


class ReplyStopIn(serializers.Serializer[Any]):
    """Whether only messages of this purpose are not wanted, or any."""

    everything = serializers.BooleanField(default=False)


class ReplyPage(LinkView):
    """What a message asks."""

    policy = {"get": PUBLIC}

    @extend_schema(
        auth=[],
        responses={(200, "application/json"): ReplyPageOut, **SHOWN},
        summary="See what a message offers",
    )
    def get(self, request: Request, token: str) -> Response | HttpResponse:
        """What the address is for, with times to choose from. Changes nothing.

        For whoever has the address; it names nobody.
        """
        if self.for_page:
            return self.page()
        message_id, chain_id = self.opened(token)
        now = self.now()
        with within_chain(chain_id), reading():
            offer = offer_of(message_id, now=now)
            return self.show(ReplyPageOut, _offered(offer, offered_slots(offer, now=now)))


class ReplyBookView(LinkView):
    """Book one of the times that were offered."""

    policy = {"post": PUBLIC}
    parser_classes = (StrictJSONParser, FormParser)
    amiss = {400: "choose_first", 409: "gone", 422: "gone"}

    @extend_schema(
        auth=[],
        request={"application/json": ReplyBookIn},
        parameters=[WHERE],
        responses=ANSWERED,
        summary="Book a time that was offered",
    )
    def post(self, request: Request, token: str) -> Response | HttpResponse:
        """Books once: a repeat tells what was booked. 409 when somebody was quicker.

        `alternatives` are then what is offered by now, each with its `slot`. For whoever has the
        address.
        """
        chosen = self.parse(ReplyBookIn)["slot"]
        message_id, _ = self.opened(token)
        visit = offered_visit(chosen, message_id=message_id)
        try:
            return self.answered(
                token, lambda pk: reply_book(message_id=pk, visit=visit, now=self.now())
            )
        except (ReplyOver, ReplyNotOffered):
            raise
        except SlotTaken as error:
            raise SlotTaken(alternatives=partial(self._alternatives, token)) from error
        except (Conflict, Malformed, Refused) as error:
            # What the front desk is told of skin, rooms and people is not for whoever holds a link.
            raise ReplyOver("This time cannot be booked (any more); look again.") from error

    def _alternatives(self, token: str) -> list[Any]:
        """What is offered by now."""
        message_id, chain_id = self.opened(token)
        now = self.now()
        with within_chain(chain_id), reading():
            slots = offered_slots(offer_of(message_id, now=now), now=now)
            return list(OfferedSlotOut(slots, many=True).data)


class ReplyLaterView(LinkView):
    """Ask again later."""

    policy = {"post": PUBLIC}
    parser_classes = (StrictJSONParser, FormParser)
    amiss = {400: "choose_first"}

    @extend_schema(
        auth=[],
        request={"application/json": ReplyLaterIn},
        parameters=[WHERE],
        responses=ANSWERED,
        summary="Ask to be asked again later",
    )
    def post(self, request: Request, token: str) -> Response | HttpResponse:
        """No invitation before that day; the first answer counts. For whoever has the address."""
        until = self.parse(ReplyLaterIn)["until"]
        return self.answered(
            token, lambda pk: reply_later(message_id=pk, until=until, now=self.now())
        )


class ReplyStopView(LinkView):
    """No more of these messages."""

    policy = {"post": PUBLIC}
    parser_classes = (StrictJSONParser, FormParser)
    amiss = {400: "choose_first"}

    @extend_schema(
        auth=[],
        request={"application/json": ReplyStopIn},
        parameters=[WHERE],
        responses=ANSWERED,
        summary="Ask for no more messages",
    )
    def post(self, request: Request, token: str) -> Response | HttpResponse:
        """Counts at once, also for what waits to be sent, and however old the address is.

        For whoever has the address.
        """
        everything = self.parse(ReplyStopIn)["everything"]
        return self.answered(
            token,
            lambda pk: reply_stop(
                message_id=pk,
                everything=everything,
                now=self.now(),
                source=f"answered message {pk}",
            ),
        )


class LostView(LinkView):
    """Addresses that were cut short or mistyped."""

    policy = {"get": PUBLIC, "post": PUBLIC}

    def counted_as(self) -> None:
        """A guess, whatever it is."""

    @extend_schema(exclude=True)
    def get(self, request: Request) -> Response:
        """Tells that it leads nowhere."""
        raise LinkUnknown

    @extend_schema(exclude=True)
    def post(self, request: Request) -> Response:
        """Tells the same."""
        raise LinkUnknown


class UnsubscribeView(LinkView):
    """One click in a mail program (RFC 8058)."""

    policy = {"get": PUBLIC, "post": PUBLIC}
    purpose = LinkPurpose.UNSUBSCRIBE
    parser_classes = (OneClickParser, OneClickPartsParser, StrictJSONParser)

    def done_page(self, message_id: int) -> HttpResponse:
        """At once: mail programs must not be sent elsewhere (RFC 8058, 3.2)."""
        return self.page()

    @extend_schema(
        auth=[],
        responses={(200, "application/json"): ReplyPageOut, **SHOWN},
        summary="See what would be unsubscribed",
    )
    def get(self, request: Request, token: str) -> Response | HttpResponse:
        """What the address is for. Changes nothing. For whoever has the address."""
        if self.for_page:
            return self.page()
        message_id, chain_id = self.opened(token)
        with within_chain(chain_id), reading():
            offer = offer_of(message_id, now=self.now(), kind=ReplyKind.STOP)
            return self.show(ReplyPageOut, {**_offered(offer, []), "can": [ReplyKind.STOP]})

    @extend_schema(
        auth=[],
        request={
            "application/x-www-form-urlencoded": {
                "type": "object",
                "required": ["List-Unsubscribe"],
                "properties": {"List-Unsubscribe": {"const": "One-Click"}},
            }
        },
        responses={(200, "application/json"): ReplyOut, **SHOWN},
        summary="Unsubscribe with one click",
    )
    def post(self, request: Request, token: str) -> Response | HttpResponse:
        """The body is `List-Unsubscribe=One-Click`. Safe to repeat. For whoever has the address."""
        body = request.data
        if not isinstance(body, dict) or body.get("List-Unsubscribe") != "One-Click":
            raise ParseError("The body must be List-Unsubscribe=One-Click.")
        return self.answered(
            token,
            lambda pk: reply_stop(
                message_id=pk,
                everything=False,
                now=self.now(),
                source=f"one click in message {pk}",
            ),
        )


def _offered(offer: Offer, slots: list[OfferedSlot]) -> dict[str, Any]:
    message = offer.message
    open_ = offer.invites and not offer.over
    clinic = clinic_of(message.recall)
    return {
        "about": message.recall.kind,
        "clinic": clinic.name,
        "phone": clinic.phone,
        "language": message.contact_point.patient.language,
        "over": offer.over,
        "replied": offer.replied.kind if offer.replied else None,
        "can": [*([ReplyKind.BOOK, ReplyKind.LATER] if open_ else []), ReplyKind.STOP],
        "slots": [asdict(slot) for slot in slots],
    }
