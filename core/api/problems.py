"""Where exceptions enter: one hook of the REST framework, and Django's pages for the rest."""

import logging
from http import HTTPStatus
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.views.decorators.csrf import csrf_exempt
from rest_framework.response import Response

from core.api.problem import UNFORESEEN, as_http, as_response, plain_problem
from core.api.throttling import tell_quota
from core.api.translation import describe

logger = logging.getLogger(__name__)


def exception_handler(error: Exception, context: dict[str, Any]) -> Response | None:
    """Hook of the REST framework. An exception nobody foresaw goes on to Django (500)."""
    problem = describe(error)
    if problem is None:
        return None
    if problem.status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        logger.warning("%s: %s", problem.code, error)
    return as_response(problem, context.get("request"))


@csrf_exempt  # else a write to an unknown address is told of cookies, in HTML
def not_found(
    request: HttpRequest,
    exception: Exception | None = None,  # noqa: ARG001
    **_: object,
) -> HttpResponse:
    """Django's page for an unknown address, and the last pattern under the API."""
    detail = f"No resource at {request.path}"
    return as_http(plain_problem(HTTPStatus.NOT_FOUND, code="not_found", detail=detail), request)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:  # noqa: ARG001
    """Django's page for a request it finds suspicious."""
    detail = "The request is malformed."
    return as_http(plain_problem(HTTPStatus.BAD_REQUEST, code="malformed", detail=detail), request)


def forbidden(request: HttpRequest, exception: Exception) -> HttpResponse:  # noqa: ARG001
    """Django's page for what is not allowed."""
    detail = "You may not do this."
    return as_http(plain_problem(HTTPStatus.FORBIDDEN, code="forbidden", detail=detail), request)


def server_error(request: HttpRequest) -> HttpResponse:
    """Django's page for an exception that nobody foresaw: no internals, only the request id."""
    answer = as_http(UNFORESEEN, request)
    tell_quota(request, answer)
    return answer
