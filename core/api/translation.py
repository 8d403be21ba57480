"""Which exception becomes which problem: the one place where meanings get HTTP statuses."""

import math
from http import HTTPStatus
from typing import Any, Final

from django.core.exceptions import PermissionDenied, SuspiciousOperation, ValidationError
from django.db import DatabaseError, DataError, IntegrityError, InterfaceError, OperationalError
from django.db.models import ProtectedError, RestrictedError
from django.http import Http404
from rest_framework import exceptions as rest
from rest_framework.fields import get_error_detail

from core.api.pointers import field_errors
from core.api.problem import Problem, plain_problem
from core.db import constraint_name, sqlstate
from core.errors import (
    Busy,
    Conflict,
    DomainError,
    Forbidden,
    Malformed,
    NotFound,
    PreconditionRequired,
    Refused,
    Stale,
    TooMany,
)

STATUS: Final[dict[type[DomainError], HTTPStatus]] = {
    Malformed: HTTPStatus.BAD_REQUEST,
    Forbidden: HTTPStatus.FORBIDDEN,
    NotFound: HTTPStatus.NOT_FOUND,
    Conflict: HTTPStatus.CONFLICT,
    Stale: HTTPStatus.PRECONDITION_FAILED,
    PreconditionRequired: HTTPStatus.PRECONDITION_REQUIRED,
    Refused: HTTPStatus.UNPROCESSABLE_ENTITY,
    Busy: HTTPStatus.SERVICE_UNAVAILABLE,
    TooMany: HTTPStatus.TOO_MANY_REQUESTS,
}

AGAIN_SOON: Final = {"Retry-After": "1"}
AGAIN_LATER: Final = {"Retry-After": "5"}

# SQLSTATE (PostgreSQL documentation, appendix A): what others hold, and what is not there.
CONTENTION: Final = frozenset({"40P01", "40001", "55P03", "57014"})
AWAY: Final = frozenset({"", "57P01", "57P02", "57P03", "53300"})
CONNECTION_CLASS: Final = "08"
NOT_UNIQUE: Final = "23505"
OVERLAP: Final = "23P01"
CHECK: Final = "23514"

REST_CODES: Final = {"parse_error": "malformed", "permission_denied": "forbidden"}


def describe(error: Exception) -> Problem | None:
    """The problem that tells of the exception, or None for one that nobody foresaw."""
    if isinstance(error, DomainError):
        return _domain(error)
    if isinstance(error, rest.ValidationError):
        return _validation(error.detail)
    if isinstance(error, rest.APIException):
        return _rest(error)
    if isinstance(error, DatabaseError | InterfaceError):
        return _database(error)
    return _django(error)


def status_of(kind: type[DomainError]) -> HTTPStatus:
    """The HTTP status of an error of the domain, by its nearest meaning."""
    for base in kind.__mro__:
        if base in STATUS:
            return STATUS[base]
    raise TypeError(f"{kind.__name__} stands under none of the meanings in core.errors")


def _domain(error: DomainError) -> Problem | None:
    try:
        data = error.data
    except (DatabaseError, InterfaceError) as failure:
        # Some refusals read only now what they tell, such as other slots.
        return _database(failure)
    return Problem(
        status=status_of(type(error)),
        code=error.code,
        title=error.title,
        detail=error.detail,
        data=data,
        headers=_when_again(error),
    )


def _when_again(error: DomainError) -> dict[str, str]:
    if isinstance(error, TooMany):
        return {"Retry-After": str(error.data["retry_after_s"])}
    return AGAIN_SOON if isinstance(error, Busy) else {}


def _validation(detail: Any) -> Problem:
    return Problem(
        status=HTTPStatus.BAD_REQUEST,
        code="invalid",
        title="Some fields are wrong",
        detail="See `errors` for each field that is wrong.",
        data={"errors": field_errors(detail)},
    )


def _rest(error: rest.APIException) -> Problem:
    headers: dict[str, str] = {}
    challenge = getattr(error, "auth_header", None)
    if challenge:
        headers["WWW-Authenticate"] = challenge
    wait = getattr(error, "wait", None)
    if wait is not None:
        headers["Retry-After"] = str(max(1, math.ceil(wait)))
    return Problem(
        status=error.status_code,
        code=REST_CODES.get(error.default_code, error.default_code),
        title=HTTPStatus(error.status_code).phrase,
        detail=str(error.detail),
        headers=headers,
    )


def _django(error: Exception) -> Problem | None:
    if isinstance(error, Http404):
        return plain_problem(HTTPStatus.NOT_FOUND, code="not_found", detail=NotFound.title)
    if isinstance(error, PermissionDenied):
        return plain_problem(HTTPStatus.FORBIDDEN, code="forbidden", detail=Forbidden.title)
    if isinstance(error, SuspiciousOperation):
        return plain_problem(HTTPStatus.BAD_REQUEST, code="malformed", detail=Malformed.title)
    if isinstance(error, ValidationError):
        return _validation(get_error_detail(error))
    return None


def _database(error: DatabaseError | InterfaceError) -> Problem | None:
    if isinstance(error, ProtectedError | RestrictedError):
        return plain_problem(
            HTTPStatus.CONFLICT, code="in_use", detail="Other records still point at it."
        )
    if isinstance(error, IntegrityError):
        return _integrity(error)
    if isinstance(error, DataError):
        return plain_problem(
            HTTPStatus.BAD_REQUEST,
            code="out_of_range",
            detail="A value is too large, too long or has characters that cannot be stored.",
        )
    if isinstance(error, OperationalError | InterfaceError):
        return _operational(sqlstate(error))
    return None


def _integrity(error: IntegrityError) -> Problem:
    state = sqlstate(error)
    name = constraint_name(error)
    if state == CHECK:
        return Problem(
            status=HTTPStatus.UNPROCESSABLE_ENTITY,
            code="constraint_refused",
            title=Refused.title,
            detail=f"The database refuses it by the rule {name}.",
            data={"constraint": name},
        )
    codes = {NOT_UNIQUE: "already_exists", OVERLAP: "overlap"}
    return Problem(
        status=HTTPStatus.CONFLICT,
        code=codes.get(state, Conflict.code),
        title=Conflict.title,
        detail="Something that is already stored stands against it.",
        data={"constraint": name},
    )


def _operational(state: str) -> Problem | None:
    if state in CONTENTION:
        return Problem(
            status=HTTPStatus.SERVICE_UNAVAILABLE,
            code=Busy.code,
            title=Busy.title,
            detail=Busy.title,
            headers=AGAIN_SOON,
        )
    if state in AWAY or state.startswith(CONNECTION_CLASS):
        return Problem(
            status=HTTPStatus.SERVICE_UNAVAILABLE,
            code="database_unavailable",
            title="The database cannot be reached",
            detail="Nothing is known to be lost; send the same again with the same key.",
            headers=AGAIN_LATER,
        )
    return None
