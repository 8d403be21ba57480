"""Every answer carries the id of its request."""

import re
from collections.abc import Callable
from typing import Final
from uuid import uuid4

from django.http import HttpRequest, HttpResponse

from core.request_id import RequestIdFilter, request_id

__all__ = ["RequestIdFilter", "RequestIdMiddleware"]

HEADER: Final = "X-Request-ID"
ACCEPTABLE: Final = re.compile(r"[A-Za-z0-9._:+/=@-]{1,128}")


class RequestIdMiddleware:
    """Accepts the caller's X-Request-ID (1 to 128 harmless characters) or makes one."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get(HEADER, "")
        chosen = given if ACCEPTABLE.fullmatch(given) else str(uuid4())
        request.request_id = chosen  # type: ignore[attr-defined]
        with request_id(chosen):
            response = self.get_response(request)
        response.headers[HEADER] = chosen
        return response
