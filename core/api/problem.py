"""Errors as RFC 9457 problem documents: `application/problem+json`.

The body has the RFC's `type`, `title`, `status`, `detail` and `instance`, our stable `code`, the
`request_id`, and whatever data the error declares. Wrong fields stand in `errors`, each with a
JSON Pointer (RFC 6901) into the body or the name of a query parameter.
"""

import json
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from rest_framework.response import Response

from core.request_id import current_request_id

MEDIA_TYPE: Final = "application/problem+json"


@dataclass(frozen=True, slots=True)
class Problem:
    """One refusal in the words of HTTP."""

    status: int
    code: str
    title: str
    detail: str
    data: dict[str, Any] = field(default_factory=dict)
    headers: dict[str, str] = field(default_factory=dict)

    def body(self, *, instance: str) -> dict[str, Any]:
        """The document; `instance` is the path of the request."""
        return {
            **self.data,
            "type": f"/problems/{self.code}",
            "title": self.title,
            "status": self.status,
            "detail": self.detail,
            "instance": instance,
            "code": self.code,
            "request_id": current_request_id(),
        }


def plain_problem(status: HTTPStatus, *, code: str, detail: str) -> Problem:
    """A problem that says no more than its HTTP status."""
    return Problem(status=status, code=code, title=status.phrase, detail=detail)


UNFORESEEN: Final = plain_problem(
    HTTPStatus.INTERNAL_SERVER_ERROR,
    code="internal_error",
    detail="Something went wrong here. Name the request id when you report it.",
)


def as_response(problem: Problem, request: HttpRequest | None) -> Response:
    """The problem as an answer of the REST framework."""
    instance = request.path if request is not None else ""
    return Response(
        problem.body(instance=instance),
        status=problem.status,
        headers=problem.headers,
        content_type=MEDIA_TYPE,
    )


def as_http(problem: Problem, request: HttpRequest) -> HttpResponse:
    """The problem as an answer of Django, for what fails outside of the REST framework."""
    return HttpResponse(
        json.dumps(problem.body(instance=request.path)),
        status=problem.status,
        headers=problem.headers,
        content_type=MEDIA_TYPE,
    )
