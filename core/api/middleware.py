"""Around every request: its id, a line in the log, the length of its body, caches, compression."""

import logging
import re
import time
from collections.abc import Callable
from functools import cache
from http import HTTPStatus
from typing import Any, Final
from uuid import uuid4

from django.contrib.admindocs.views import simplify_regex
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware

from core.api.preconditions import GZIP, compressed_tag, vary_by_encoding
from core.api.problem import as_http, plain_problem
from core.api.traffic import count_request
from core.request_id import RequestIdFilter, request_id

__all__ = [
    "BodyLengthMiddleware",
    "CompressionMiddleware",
    "PrivateAnswersMiddleware",
    "RequestIdFilter",
    "RequestIdMiddleware",
    "RequestLogMiddleware",
]

HEADER: Final = "X-Request-ID"
ACCEPTABLE: Final = re.compile(r"[A-Za-z0-9._:+/=@-]{1,128}")
NOWHERE: Final = "unknown"

Answering = Callable[[HttpRequest], HttpResponse]
logger = logging.getLogger("fallow.requests")


class RequestIdMiddleware:
    """Accepts the caller's X-Request-ID (1 to 128 harmless characters) or makes one."""

    def __init__(self, get_response: Answering) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get(HEADER, "")
        chosen = given if ACCEPTABLE.fullmatch(given) else str(uuid4())
        request.request_id = chosen  # type: ignore[attr-defined]
        with request_id(chosen):
            response = self.get_response(request)
        response.headers[HEADER] = chosen
        return response


class RequestLogMiddleware:
    """One line for each request, and one more in the counts of traffic.

    Of the address the line has the pattern only (`/api/v1/patients/<pk>`): the address itself may
    say who somebody is, or open something. A stream is timed up to its first byte.
    """

    def __init__(self, get_response: Answering) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        started = time.perf_counter()
        response = self.get_response(request)
        seconds = time.perf_counter() - started
        match = request.resolver_match
        route = _pattern(match.route) if match else NOWHERE
        count_request(request.method, route=route, status=response.status_code, seconds=seconds)
        fields = {
            "method": request.method,
            "route": route,
            "status": response.status_code,
            "ms": round(seconds * 1000, 1),
            **_caller(response),
        }
        logger.info("%(method)s %(route)s %(status)s %(ms)s ms", fields, extra={"fields": fields})
        return response


class PrivateAnswersMiddleware:
    """What an answer says is for whoever asked: no cache keeps it, unless a view says otherwise."""

    def __init__(self, get_response: Answering) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if request.path_info.startswith("/api/"):
            response.headers.setdefault("Cache-Control", "no-store")
        return response


class BodyLengthMiddleware:
    """A body that does not say how long it is gets 411 (RFC 9110, 15.5.12).

    The server reads bodies that come in chunks, but the framework takes one without a length for
    an empty one, and an empty change would be answered as if it had been made.
    """

    def __init__(self, get_response: Answering) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if "Transfer-Encoding" in request.headers:
            detail = "Send the body with its Content-Length, not in chunks."
            status = HTTPStatus.LENGTH_REQUIRED
            return as_http(plain_problem(status, code="length_required", detail=detail), request)
        return self.get_response(request)


class CompressionMiddleware(GZipMiddleware):
    """Texts travel compressed where the caller takes gzip, each under an entity tag of its own.

    What travels compressed can tell by its length what else it holds (BREACH), to somebody who
    makes a browser ask with its credentials. None of ours is sent by itself: tokens stand in
    headers. Django adds up to 100 random bytes all the same. A stream stays as it is, so that each
    line arrives when it is made.
    """

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> Any:
        if response.streaming or not _is_text(response.headers.get("Content-Type", "")):
            return response
        tag = response.headers.get("ETag", "")
        answer = super().process_response(request, response)
        if tag:
            # Also a short one, which may be longer next time.
            vary_by_encoding(answer)
        if tag and answer.headers.get("Content-Encoding") == GZIP:
            # A tag is that of the bytes (RFC 9110, 8.8.3.3), and a weak one is no good in If-Match.
            answer.headers["ETag"] = compressed_tag(tag)
        return answer


def _is_text(media_type: str) -> bool:
    return media_type.startswith("text/") or "json" in media_type


@cache
def _pattern(route: str) -> str:
    pattern: str = simplify_regex(route)
    return pattern


def _caller(response: HttpResponse) -> dict[str, Any]:
    """Who asked, by keys, where the answer comes from a view of ours."""
    context = getattr(response, "renderer_context", None) or {}
    actor = getattr(context.get("request"), "actor", None)
    return {"staff": actor.staff_id, "chain": actor.chain_id} if actor else {}
