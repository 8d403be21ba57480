"""What gunicorn answers itself, because a request could not be read: problems like all others.

RFC 9457. Nothing of the request is said again: what could not be read may hold anything.
"""

import json
import socket
from http import HTTPStatus
from typing import Final
from uuid import uuid4

from gunicorn import util  # type: ignore[import-untyped]

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


def answer(status: int) -> bytes:
    """The whole answer to a request that could not be read; the connection ends with it."""
    code, detail = CODES.get(HTTPStatus(status), UNFORESEEN)
    phrase, identity = HTTPStatus(status).phrase, str(uuid4())
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
        util.write_nonblock(sock, answer(status_int))

    util.write_error = write
