"""Pages by keyset: a constant number of queries however far a caller reads.

The cursor is encrypted, since it holds names where a list is in their order and addresses stand in
logs; and signed, so that it holds for the same address with the same filters only.
"""

from dataclasses import dataclass
from typing import Any, Final

from django.core import signing
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.urls import remove_query_param, replace_query_param
from rest_framework.views import APIView

from core.api.filters import invalid_parameter
from core.api.keyset import Keyset, Plain
from core.secrets_at_rest import InvalidToken, decrypt, encrypt

LIMIT: Final = "limit"
CURSOR: Final = "cursor"
ORDERING: Final = "ordering"


@dataclass(frozen=True, slots=True)
class Cursor:
    """Read on from the row with these key values, forwards or backwards."""

    values: list[Plain]
    backwards: bool


class KeysetPagination(BasePagination):
    """`{"items": [...], "next": url, "previous": url}` and an RFC 8288 Link header.

    A view declares `keyset = ("starts_at", "id")` (with `-` throughout for downwards; never
    NULL, the last one unique) or, where the caller may choose, `orderings = {"starts_at":
    ("starts_at", "id"), ...}` of which the first is the default. One query a page.
    """

    default_limit: int = 50
    max_limit: int = 200

    def paginate_queryset(
        self, queryset: Any, request: Request, view: APIView | None = None
    ) -> list[Any]:
        """One page of rows. Raises ParameterInvalid for a wrong limit, cursor or ordering."""
        self.request = request
        self.keyset = _keyset(request, view)
        limit = self._limit(request)
        cursor = self._cursor(request)
        backwards = cursor is not None and cursor.backwards
        ordered = self.keyset.ordered(queryset, backwards=backwards)
        if cursor is not None:
            ordered = self._beyond(ordered, cursor)
        rows = list(ordered[: limit + 1])
        more = len(rows) > limit
        rows = rows[:limit]
        if backwards:
            rows.reverse()
        came_from_behind, came_from_ahead = cursor is not None and not backwards, backwards
        self.has_next = bool(rows) and (came_from_ahead or (more and not backwards))
        self.has_previous = bool(rows) and (came_from_behind or (more and backwards))
        self.rows = rows
        return rows

    def get_paginated_response(self, data: Any) -> Response:
        following = self._link(self.rows[-1], backwards=False) if self.has_next else None
        previous = self._link(self.rows[0], backwards=True) if self.has_previous else None
        links = {"next": following, "prev": previous, "first": self._first()}
        header = ", ".join(f'<{url}>; rel="{rel}"' for rel, url in links.items() if url)
        body = {"items": data, "next": following, "previous": previous}
        return Response(body, headers={"Link": header})

    def _limit(self, request: Request) -> int:
        given = request.query_params.get(LIMIT)
        if given is None:
            return self.default_limit
        if not (given.isascii() and given.isdecimal() and 1 <= int(given[:9]) <= self.max_limit):
            raise invalid_parameter(LIMIT, detail=f"A whole number from 1 to {self.max_limit}.")
        return int(given)

    def _cursor(self, request: Request) -> Cursor | None:
        given = request.query_params.get(CURSOR)
        if given is None:
            return None
        try:
            values, backwards = signing.loads(decrypt(given), salt=_salt(request))
        except (InvalidToken, signing.BadSignature) as error:
            detail = "Not a cursor of this list with these filters; start at the first page."
            raise invalid_parameter(CURSOR, detail=detail) from error
        return Cursor(values, bool(backwards))

    def _beyond(self, queryset: QuerySet[Any], cursor: Cursor) -> QuerySet[Any]:
        try:
            return self.keyset.beyond(queryset, cursor.values, backwards=cursor.backwards)
        except (ValidationError, ValueError) as error:
            detail = "A cursor of an earlier version of this list; start at the first page."
            raise invalid_parameter(CURSOR, detail=detail) from error

    def _link(self, row: Any, *, backwards: bool) -> str:
        values = [self.keyset.values_of(row), int(backwards)]
        token = encrypt(signing.dumps(values, salt=_salt(self.request)))
        return replace_query_param(self.request.build_absolute_uri(), CURSOR, token)

    def _first(self) -> str:
        return remove_query_param(self.request.build_absolute_uri(), CURSOR)

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        link = {"type": ["string", "null"], "format": "uri"}
        return {
            "type": "object",
            "required": ["items", "next", "previous"],
            "properties": {"items": schema, "next": link, "previous": link},
        }

    def get_schema_operation_parameters(self, view: APIView) -> list[dict[str, Any]]:
        limit = {"type": "integer", "minimum": 1, "maximum": self.max_limit, "default": 50}
        parameters = [
            _parameter(LIMIT, limit, "How many items a page has at most."),
            _parameter(CURSOR, {"type": "string"}, "From a `next` or `previous` address."),
        ]
        orderings = getattr(view, "orderings", None)
        if orderings:
            choice = {"type": "string", "enum": list(orderings), "default": next(iter(orderings))}
            parameters.append(_parameter(ORDERING, choice, "The order of the list."))
        return parameters


def page_parameters(view: Any) -> set[str]:
    """The query parameters that paging adds to a list."""
    return {LIMIT, CURSOR, ORDERING} if getattr(view, "orderings", None) else {LIMIT, CURSOR}


def _keyset(request: Request, view: APIView | None) -> Keyset:
    orderings = getattr(view, "orderings", None)
    if not orderings:
        return Keyset.parse(getattr(view, "keyset", ("id",)))
    chosen = request.query_params.get(ORDERING, next(iter(orderings)))
    if chosen not in orderings:
        raise invalid_parameter(ORDERING, detail=f"One of: {', '.join(orderings)}.")
    return Keyset.parse(orderings[chosen])


def _salt(request: Request) -> str:
    filters = sorted(
        (name, values)
        for name, values in request.query_params.lists()
        if name not in {CURSOR, LIMIT}
    )
    return f"core.api.pagination:{request.path}:{filters}"


def _parameter(name: str, schema: dict[str, Any], description: str) -> dict[str, Any]:
    return {
        "name": name,
        "in": "query",
        "required": False,
        "schema": schema,
        "description": description,
    }
