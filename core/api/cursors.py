"""Cursors: from which row, and which way, a list is read on.

A cursor is encrypted, since it holds names where a list is in their order and addresses stand in
logs; and signed, so that it holds for the same question only, asked from the same chain.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.core import signing
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from rest_framework.request import Request

from core.api.keyset import Keyset, Plain
from core.secrets_at_rest import InvalidToken, decrypt, encrypt


class CursorRefusedError(ValueError):
    """No cursor of this list; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Page:
    """Rows of one page, with the cursors of the pages after and before it."""

    rows: list[Any]
    next_cursor: str | None
    previous_cursor: str | None


def question_of(request: Request, *, kind: str, asked: str) -> str:
    """What a cursor holds for: one way to ask, at an address, for somebody's chain."""
    chain_id = getattr(getattr(request, "actor", None), "chain_id", None)
    return f"{kind}:{chain_id}:{request.path}:{asked}"


def page_of(
    queryset: QuerySet[Any], keyset: Keyset, *, limit: int, cursor: str | None, question: str
) -> Page:
    """At most `limit` rows from the cursor on, by one query.

    `question` says what was asked, with all that decides which rows the list has. Raises
    CursorRefusedError.
    """
    values, backwards = _opened(cursor, question) if cursor is not None else (None, False)
    ordered = keyset.ordered(queryset, backwards=backwards)
    if values is not None:
        ordered = _beyond(ordered, keyset, values, backwards=backwards)
    rows = list(ordered[: limit + 1])
    more = len(rows) > limit
    rows = rows[:limit]
    if backwards:
        rows.reverse()
    has_next = bool(rows) and (backwards or more)
    has_previous = bool(rows) and (more if backwards else cursor is not None)
    return Page(
        rows,
        _sealed(keyset, rows[-1], question, backwards=False) if has_next else None,
        _sealed(keyset, rows[0], question, backwards=True) if has_previous else None,
    )


def _sealed(keyset: Keyset, row: Any, question: str, *, backwards: bool) -> str:
    return encrypt(signing.dumps([keyset.values_of(row), int(backwards)], salt=question))


def _opened(cursor: str, question: str) -> tuple[list[Plain], bool]:
    try:
        values, backwards = signing.loads(decrypt(cursor), salt=question)
    except (InvalidToken, signing.BadSignature) as error:
        message = "Not a cursor of this list with these filters; start at the first page."
        raise CursorRefusedError(message) from error
    return values, bool(backwards)


def _beyond(
    ordered: QuerySet[Any], keyset: Keyset, values: Sequence[Plain], *, backwards: bool
) -> QuerySet[Any]:
    try:
        return keyset.beyond(ordered, values, backwards=backwards)
    except (ValidationError, ValueError) as error:
        message = "A cursor of an earlier version of this list; start at the first page."
        raise CursorRefusedError(message) from error
