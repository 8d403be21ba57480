"""Searches by POST, for what must not stand in an address: pages by cursors in the body."""

import json
from typing import Any, Final

from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.request import Request

from core.api.cursors import CursorRefusedError, Page, page_of, question_of
from core.api.keyset import Keyset
from core.api.pagination import CURSOR, LIMIT, KeysetPagination

MOST_LETTERS: Final = 4000
"""A cursor holds the names of one row, encrypted."""


class SearchIn(serializers.Serializer[Any]):
    """Which page of what is found. A search adds what it looks for."""

    limit = serializers.IntegerField(
        min_value=1,
        max_value=KeysetPagination.max_limit,
        default=KeysetPagination.default_limit,
        help_text="How many items a page has at most.",
    )
    cursor = serializers.CharField(
        max_length=MOST_LETTERS,
        allow_null=True,
        default=None,
        help_text="A `next_cursor` or `previous_cursor`, with all else as it was; null: the start.",
    )


class FoundOut(serializers.Serializer[Any]):
    """A page of what was found. A search adds `items`."""

    next_cursor = serializers.CharField(allow_null=True, help_text="Null at the end.")
    previous_cursor = serializers.CharField(allow_null=True, help_text="Null at the start.")


def page_found(
    queryset: QuerySet[Any], keyset: Keyset, *, request: Request, limit: int, cursor: str | None
) -> Page:
    """The page that the body asks for. Raises a validation error for a cursor of something else."""
    body: Any = request.data
    asked = {name: value for name, value in body.items() if name not in {CURSOR, LIMIT}}
    question = question_of(request, kind="search", asked=json.dumps(asked, sort_keys=True))
    try:
        return page_of(queryset, keyset, limit=limit, cursor=cursor, question=question)
    except CursorRefusedError as error:
        raise serializers.ValidationError({CURSOR: str(error)}, code="cursor") from error
