"""What gunicorn answers itself, because a request could not be read: problems like all others.

RFC 9457. Nothing of the request is said again, here or in the log: what could not be read may hold
anything.
"""

import json
import logging
import socket
import sys
from http import HTTPStatus
from typing import Final
from uuid import uuid4

from gunicorn import util  # type: ignore[import-untyped]
from gunicorn.http.wsgi import Response  # type: ignore[import-untyped]

from core.request_id import request_id

logger = logging.getLogger("fallow.unread")

CODES: Final = {
    HTTPStatus.BAD_REQUEST: ("malformed", "The request is no HTTP that can be read."),
    HTTPStatus.FORBIDDEN: ("forbidden", "The connection is not taken."),
    HTTPStatus.REQUEST_URI_TOO_LONG: ("address_too_long", "Make the address shorter."),
    HTTPStatus.EXPECTATION_FAILED: ("expectation_failed", "Leave the header Expect out."),
    HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE: (
        "headers_too_large",
        "Send fewer or shorter headers.",
    ),
    HTTPStatus.NOT_IMPLEMENTED: ("not_implemented", "Send the body with its Content-Length."),
}
UNFORESEEN: Final = ("internal_error", "Something went wrong here.")


def answer(status: int, *, identity: str) -> bytes:
    """The whole answer to a request that could not be read; the connection ends with it."""
    code, detail = CODES.get(HTTPStatus(status), UNFORESEEN)
    phrase = HTTPStatus(status).phrase
    problem = {
        "type": f"/problems/{code}",
        "title": phrase,
        "status": status,
        "detail": detail,
        "code": code,
        "request_id": identity,
    }
    body = json.dumps(problem).encode()
    head = (
        f"HTTP/1.1 {status} {phrase}",
        "Connection: close",
        "Content-Type: application/problem+json",
        f"Content-Length: {len(body)}",
        "Cache-Control: no-store",
        "X-Content-Type-Options: nosniff",
        f"X-Request-ID: {identity}",
    )
    return "\r\n".join((*head, "", "")).encode("ascii") + body


def answer_with_problems() -> None:
    """Let gunicorn, which writes HTML, write these instead."""

    def write(sock: socket.socket, status_int: int, _reason: str, _message: str) -> None:
        identity = str(uuid4())
        note(status_int, identity=identity)
        util.write_nonblock(sock, answer(status_int, identity=identity))

    util.write_error = write


def note(status: int, *, identity: str) -> None:
    """A line in the log, which says what kind of thing was wrong."""
    kind = getattr(sys.exc_info()[0], "__name__", None)
    fields = {"status": status, "kind": kind}
    with request_id(identity):
        logger.warning("Not read: %(status)s %(kind)s", fields, extra={"fields": fields})


def tell_no_server() -> None:
    """Leave out the header that says which software answers (RFC 9110, 10.2.4)."""
    told = Response.default_headers

    def default_headers(self: Response) -> list[str]:
        return [line for line in told(self) if not line.startswith("Server:")]

    Response.default_headers = default_headers
