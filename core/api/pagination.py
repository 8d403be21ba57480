"""Pages by keyset: a constant number of queries however far a caller reads."""

from typing import Any, Final

from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.urls import remove_query_param, replace_query_param
from rest_framework.views import APIView

from core.api.cursors import CursorRefusedError, Page, page_of, question_of
from core.api.filters import invalid_parameter
from core.api.keyset import Keyset

LIMIT: Final = "limit"
CURSOR: Final = "cursor"
ORDERING: Final = "ordering"


class KeysetPagination(BasePagination):
    """`{"items": [...], "next": url, "previous": url}` and an RFC 8288 Link header.

    A view declares `keyset = ("starts_at", "id")` (with `-` throughout for downwards; never
    NULL, the last one unique) or, where the caller may choose, `orderings = {"starts_at":
    ("starts_at", "id"), ...}` of which the first is the default. One query a page.
    """

    default_limit: int = 50
    max_limit: int = 200
    page: Page = Page([], None, None)

    def paginate_queryset(
        self, queryset: Any, request: Request, view: APIView | None = None
    ) -> list[Any]:
        """One page of rows. Raises ParameterInvalid for a wrong limit, cursor or ordering."""
        self.request = request
        keyset, limit = _keyset(request, view), self._limit(request)
        cursor = request.query_params.get(CURSOR)
        try:
            self.page = page_of(
                queryset, keyset, limit=limit, cursor=cursor, question=_question(request)
            )
        except CursorRefusedError as error:
            raise invalid_parameter(CURSOR, detail=str(error)) from error
        return self.page.rows

    @property
    def rows(self) -> list[Any]:
        """The rows of the page."""
        return self.page.rows

    def get_paginated_response(self, data: Any) -> Response:
        following = self._link(self.page.next_cursor)
        previous = self._link(self.page.previous_cursor)
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

    def _link(self, cursor: str | None) -> str | None:
        if cursor is None:
            return None
        return replace_query_param(self.request.build_absolute_uri(), CURSOR, cursor)

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


def _question(request: Request) -> str:
    filters = sorted(
        (name, values)
        for name, values in request.query_params.lists()
        if name not in {CURSOR, LIMIT}
    )
    return question_of(request, kind="list", asked=str(filters))


def _parameter(name: str, schema: dict[str, Any], description: str) -> dict[str, Any]:
    return {
        "name": name,
        "in": "query",
        "required": False,
        "schema": schema,
        "description": description,
    }
