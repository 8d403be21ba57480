"""What all addresses of patients have in common: a quota, answers as JSON or as pages, no cache."""

import logging
from collections.abc import Callable, Collection
from contextlib import suppress
from http import HTTPStatus
from typing import Any, ClassVar, Final
from urllib.parse import urlsplit

from django.core.signals import got_request_exception
from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.exceptions import MethodNotAllowed, NotAcceptable
from rest_framework.permissions import SAFE_METHODS
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.views import FallowView
from core.db import reading, within_chain
from core.errors import DomainError
from core.vocabulary import choices
from courses.api.reply_pages import PageRenderer, answers_page, trouble_page
from courses.channels import LinkPurpose, message_of, reply_link
from courses.errors import LinkUnknown
from courses.selectors.recalls.replies import message_chain
from courses.services.recalls.replies import Answered
from courses.timing.words import ReplyKind

logger = logging.getLogger(__name__)

# What is worth a look at what can be answered instead.
ANSWERABLE: Final = frozenset({400, 409, 415, 422})


class ReplyOut(serializers.Serializer[Any]):
    """What stands now. `again`: it stood before this request."""

    kind = serializers.ChoiceField(choices=choices(ReplyKind))
    again = serializers.BooleanField()
    start = serializers.DateTimeField(allow_null=True)
    until = serializers.DateField(allow_null=True)


class LinkView(FallowView):
    """A page behind a patient's address. It counts against a quota of its own.

    Answers are taken as JSON and, from the pages, as forms of the same fields. The document tells
    of JSON alone: of two bodies with one schema generators make no client.

    Each address of ours for itself: mailbox providers ask for many patients from one place, and
    that must keep nobody from opting out. Guesses count by where they come from.
    """

    authentication_classes = ()
    throttle_scope = "reply"
    renderer_classes = (JSONRenderer, PageRenderer)
    purpose: ClassVar[LinkPurpose] = LinkPurpose.REPLY
    format_kwarg: str | None = None
    # What a page says when an answer could not be taken, by status: names of its words.
    amiss: ClassVar[dict[int, str]] = {}

    @property
    def for_page(self) -> bool:
        """Whether a page is asked for: by a browser."""
        accepted = getattr(self.request, "accepted_renderer", None)
        if accepted is None:
            # The quota is asked before that is settled.
            with suppress(NotAcceptable):
                accepted, _ = self.perform_content_negotiation(self.request)
        return isinstance(accepted, PageRenderer)

    def query_names(self) -> Collection[str]:
        """Any for a page: programs on the way add some, and a patient cannot mend that."""
        return self.request.query_params if self.for_page else super().query_names()

    def repeatable_names(self) -> Collection[str]:
        """Those too."""
        return self.query_names()

    def finalize_response(
        self, request: Request, response: Any, *args: Any, **kwargs: Any
    ) -> Response:
        answer = super().finalize_response(request, response, *args, **kwargs)
        answer.headers["Cache-Control"] = "no-store"
        answer.headers["Referrer-Policy"] = "no-referrer"
        answer.headers["X-Robots-Tag"] = "noindex, nofollow"
        return answer

    def handle_exception(self, exc: Exception) -> Any:
        try:
            problem = super().handle_exception(exc)
        except Exception as fault:
            if not self.for_page:
                raise
            return self.failed(fault)
        if not self.for_page:
            return problem
        looked = isinstance(exc, MethodNotAllowed) and self.request.method in SAFE_METHODS
        known = looked and self.address() != ""
        page = self.look_again() if known else self.trouble(problem.status_code)
        for name, value in problem.headers.items():
            page.headers.setdefault(name, value)
        return page

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

    def answered(self, token: str, reply: Callable[[int], Answered]) -> Response | HttpResponse:
        """Do what was asked, within the chain of the message."""
        message_id, chain_id = self.opened(token)
        with within_chain(chain_id):
            done = reply(message_id)
            if self.for_page:
                return self.done_page(message_id)
            with reading():
                visit = done.reply.appointment
        answer = {
            "kind": done.reply.kind,
            "again": done.again,
            "start": visit.starts_at if visit else None,
            "until": done.reply.until,
        }
        return self.show(ReplyOut, answer)

    def page(self, *, status: int = HTTPStatus.OK, amiss: str = "") -> HttpResponse:
        """The page of the address as things stand. Raises LinkUnknown."""
        message_id, chain_id = self.opened(self.kwargs["token"])
        with within_chain(chain_id), reading():
            return answers_page(
                message_id,
                now=self.now(),
                one_click=self.purpose is LinkPurpose.UNSUBSCRIBE,
                status=status,
                amiss=amiss,
            )

    def done_page(self, message_id: int) -> HttpResponse:
        """After an answer: to the page that tells what stands, which can be loaded anew."""
        return self.look_again()

    def look_again(self) -> HttpResponse:
        """To the page of the address (RFC 9110, 15.4.4)."""
        return HttpResponse(status=HTTPStatus.SEE_OTHER, headers={"Location": self.address()})

    def address(self) -> str:
        """Where the page of the address is; empty for a guess."""
        message_id = message_of(self.kwargs.get("token", ""), purpose=LinkPurpose.REPLY)
        return urlsplit(reply_link(message_id)).path if message_id is not None else ""

    def failed(self, fault: Exception) -> HttpResponse:
        """After what nobody foresaw: a page, and for us what the framework would have told."""
        got_request_exception.send(sender=type(self), request=self.request)
        logger.error("a page for a patient failed", exc_info=fault)
        return self.trouble(HTTPStatus.INTERNAL_SERVER_ERROR)

    def trouble(self, status: int) -> HttpResponse:
        """What went wrong, and what can be answered instead where that is known."""
        if status in ANSWERABLE:
            with suppress(DomainError):
                return self.page(status=status, amiss=self.amiss.get(status, "nothing_done"))
        return trouble_page(
            status,
            languages=self.request.headers.get("Accept-Language", ""),
            address="" if status == HTTPStatus.NOT_FOUND else self.address(),
        )
