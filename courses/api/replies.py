"""What patients do at the address in a message: look, book, ask for later, stop. Public.

GET and HEAD change nothing: programs that look at mail before people do follow every address.
"""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import IO, Any, ClassVar, Final
from urllib.parse import parse_qs

from django.core import signing
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ParseError
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.fields import DayField
from core.api.parsers import StrictJSONParser
from core.api.permissions import PUBLIC
from core.api.views import FallowView
from core.db import reading, within_chain
from core.spans import Span
from core.vocabulary import choices
from courses.channels import LinkPurpose, message_of
from courses.errors import LinkUnknown, ReplyOver
from courses.selectors.recalls.replies import Offer, message_chain, offer_of
from courses.selectors.slots import Found, SearchOrder, slots_for
from courses.selectors.visits import Place, Visit, timeline_from_json, timeline_json
from courses.services.recalls.replies import (
    Answered,
    patient_actor,
    reply_book,
    reply_later,
    reply_stop,
)
from courses.timing.words import ReplyKind
from courses.vocabulary import RecallKind

AHEAD: Final = timedelta(days=42)
OFFERED: Final = 6
SLOT_SALT: Final = "courses.api.replies.slot"
SLOT_SECONDS: Final = 1800
MOST_FORM_BYTES: Final = 1024


class OneClickParser(BaseParser):
    """The one body that mail programs post (RFC 8058, 3.2), in either form of a form."""

    media_type = "application/x-www-form-urlencoded"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> dict[str, str]:
        raw = stream.read(MOST_FORM_BYTES + 1)
        if len(raw) > MOST_FORM_BYTES:
            raise ParseError("The body is too long.")
        try:
            return {name: values[-1] for name, values in parse_qs(raw.decode("ascii")).items()}
        except ValueError as error:
            raise ParseError("The body is no form.") from error


class OneClickPartsParser(OneClickParser):
    """The same as multipart/form-data, which the standard allows too."""

    media_type = "multipart/form-data"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> dict[str, str]:
        raw = stream.read(MOST_FORM_BYTES + 1)
        said = b'name="List-Unsubscribe"' in raw and b"One-Click" in raw
        return {"List-Unsubscribe": "One-Click"} if said else {}


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
    language = serializers.CharField()
    over = serializers.BooleanField(help_text="Nothing can be booked or put off (any more)")
    replied = serializers.ChoiceField(choices=choices(ReplyKind), allow_null=True)
    can = serializers.ListField(child=serializers.ChoiceField(choices=choices(ReplyKind)))
    slots = OfferedSlotOut(many=True)


class ReplyOut(serializers.Serializer[Any]):
    """What stands now. `again`: it stood before this request."""

    kind = serializers.ChoiceField(choices=choices(ReplyKind))
    again = serializers.BooleanField()
    start = serializers.DateTimeField(allow_null=True)
    until = serializers.DateField(allow_null=True)


class ReplyBookIn(serializers.Serializer[Any]):
    """The time that was chosen."""

    slot = serializers.CharField(max_length=4000)


class ReplyLaterIn(serializers.Serializer[Any]):
    """When to ask again."""

    until = DayField()


class ReplyStopIn(serializers.Serializer[Any]):
    """Whether only messages of this purpose are not wanted, or any."""

    everything = serializers.BooleanField(default=False)


class LinkView(FallowView):
    """A page behind a patient's address. It counts against a quota of its own.

    Each address of ours for itself: mailbox providers ask for many patients from one place, and
    that must keep nobody from opting out. Guesses count by where they come from.
    """

    authentication_classes = ()
    throttle_scope = "reply"
    purpose: ClassVar[LinkPurpose] = LinkPurpose.REPLY

    def finalize_response(
        self, request: Request, response: Any, *args: Any, **kwargs: Any
    ) -> Response:
        answer = super().finalize_response(request, response, *args, **kwargs)
        answer.headers["Cache-Control"] = "no-store"
        answer.headers["Referrer-Policy"] = "no-referrer"
        answer.headers["X-Robots-Tag"] = "noindex, nofollow"
        return answer

    def counted_as(self) -> str | None:
        """The message whose address it is; None for a guess."""
        message_id = message_of(self.kwargs["token"], purpose=self.purpose)
        return None if message_id is None else f"{self.purpose}:{message_id}"

    def opened(self, token: str) -> tuple[int, int]:
        """The message of the address and its chain. Raises LinkUnknown."""
        message_id = message_of(token, purpose=self.purpose)
        chain_id = message_chain(message_id) if message_id is not None else None
        if message_id is None or chain_id is None:
            raise LinkUnknown
        return message_id, chain_id

    def answered(self, token: str, reply: Callable[[int], Answered]) -> Response:
        """Do what was asked, within the chain of the message."""
        message_id, chain_id = self.opened(token)
        with within_chain(chain_id):
            done = reply(message_id)
            with reading():
                visit = done.reply.appointment
        answer = {
            "kind": done.reply.kind,
            "again": done.again,
            "start": visit.starts_at if visit else None,
            "until": done.reply.until,
        }
        return self.show(ReplyOut, answer)


class ReplyPage(LinkView):
    """What a message asks."""

    policy = {"get": PUBLIC}

    @extend_schema(auth=[], responses=ReplyPageOut, summary="See what a message offers")
    def get(self, request: Request, token: str) -> Response:
        """What the address is for, with times to choose from. Changes nothing.

        For whoever has the address; it names nobody.
        """
        message_id, chain_id = self.opened(token)
        now = self.now()
        with within_chain(chain_id), reading():
            offer = offer_of(message_id, now=now)
            found = _found(offer, now=now) if offer.invites and not offer.over else None
            slots = _slots(found, message_id=message_id) if found else []
            return self.show(ReplyPageOut, _page(offer, slots))


class ReplyBookView(LinkView):
    """Book one of the times that were offered."""

    policy = {"post": PUBLIC}

    @extend_schema(
        auth=[], request=ReplyBookIn, responses=ReplyOut, summary="Book a time that was offered"
    )
    def post(self, request: Request, token: str) -> Response:
        """Books once: a repeat tells what was booked. 409 when somebody was quicker.

        For whoever has the address.
        """
        chosen = self.parse(ReplyBookIn)["slot"]
        message_id, _ = self.opened(token)
        visit = _visit(chosen, message_id=message_id)
        return self.answered(
            token, lambda pk: reply_book(message_id=pk, visit=visit, now=self.now())
        )


class ReplyLaterView(LinkView):
    """Ask again later."""

    policy = {"post": PUBLIC}

    @extend_schema(
        auth=[], request=ReplyLaterIn, responses=ReplyOut, summary="Ask to be asked again later"
    )
    def post(self, request: Request, token: str) -> Response:
        """No invitation before that day; the first answer counts. For whoever has the address."""
        until = self.parse(ReplyLaterIn)["until"]
        return self.answered(
            token, lambda pk: reply_later(message_id=pk, until=until, now=self.now())
        )


class ReplyStopView(LinkView):
    """No more of these messages."""

    policy = {"post": PUBLIC}

    @extend_schema(
        auth=[], request=ReplyStopIn, responses=ReplyOut, summary="Ask for no more messages"
    )
    def post(self, request: Request, token: str) -> Response:
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


class UnsubscribeView(LinkView):
    """One click in a mail program (RFC 8058)."""

    policy = {"get": PUBLIC, "post": PUBLIC}
    purpose = LinkPurpose.UNSUBSCRIBE
    parser_classes = (OneClickParser, OneClickPartsParser, StrictJSONParser)

    @extend_schema(auth=[], responses=ReplyPageOut, summary="See what would be unsubscribed")
    def get(self, request: Request, token: str) -> Response:
        """What the address is for. Changes nothing. For whoever has the address."""
        message_id, chain_id = self.opened(token)
        with within_chain(chain_id), reading():
            offer = offer_of(message_id, now=self.now(), kind=ReplyKind.STOP)
            return self.show(ReplyPageOut, {**_page(offer, []), "can": [ReplyKind.STOP]})

    @extend_schema(
        auth=[],
        request={
            "application/x-www-form-urlencoded": {
                "type": "object",
                "required": ["List-Unsubscribe"],
                "properties": {"List-Unsubscribe": {"const": "One-Click"}},
            }
        },
        responses=ReplyOut,
        summary="Unsubscribe with one click",
    )
    def post(self, request: Request, token: str) -> Response:
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


def _page(offer: Offer, slots: list[dict[str, Any]]) -> dict[str, Any]:
    message = offer.message
    open_ = offer.invites and not offer.over
    return {
        "about": message.recall.kind,
        "clinic": message.recall.course.clinic.name,
        "language": message.contact_point.patient.language,
        "over": offer.over,
        "replied": offer.replied.kind if offer.replied else None,
        "can": [*([ReplyKind.BOOK, ReplyKind.LATER] if open_ else []), ReplyKind.STOP],
        "slots": slots,
    }


def _found(offer: Offer, *, now: datetime) -> Found:
    course = offer.message.recall.course
    order = SearchOrder(span=Span(now, now + AHEAD), clinics={course.clinic_id: 1.0}, limit=OFFERED)
    return slots_for(course.pk, order=order, actor=patient_actor(course.chain_id), now=now)


def _slots(found: Found, *, message_id: int) -> list[dict[str, Any]]:
    slots = found.answer.slots
    clinics = Clinic.objects.in_bulk({slot.clinic_id for slot in slots})
    return [
        {
            "slot": signing.dumps(
                {
                    "start": slot.start.timestamp(),
                    "place": [slot.clinic_id, slot.room_id, slot.operator_id, slot.laser_id],
                    "handpieces": sorted(slot.handpiece_ids),
                    "nm": sorted(slot.wavelengths_nm),
                    "segments": timeline_json(found.timeline),
                },
                salt=f"{SLOT_SALT}:{message_id}",
                compress=True,
            ),
            "start": slot.start,
            "end": slot.end,
            "clinic": clinics[slot.clinic_id].name,
            "time_zone": clinics[slot.clinic_id].time_zone,
        }
        for slot in slots
    ]


def _visit(chosen: str, *, message_id: int) -> Visit:
    """The visit of an offered slot. Raises ReplyOver for one that was not offered, or long ago."""
    try:
        told = signing.loads(chosen, salt=f"{SLOT_SALT}:{message_id}", max_age=SLOT_SECONDS)
    except signing.BadSignature as error:
        raise ReplyOver("This time is not offered (any more); look again.") from error
    clinic, room, operator, laser = told["place"]
    return Visit(
        starts_at=datetime.fromtimestamp(told["start"], tz=UTC),
        timeline=timeline_from_json(told["segments"]),
        place=Place(
            clinic_id=clinic,
            room_id=room,
            operator_id=operator,
            laser_id=laser,
            handpiece_ids=tuple(told["handpieces"]),
        ),
        wavelengths_nm=tuple(told["nm"]),
    )
