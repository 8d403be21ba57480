"""Nested validation errors of the REST framework as a flat list with JSON Pointers."""

from collections.abc import Iterable, Iterator
from typing import Any

from rest_framework.exceptions import ErrorDetail
from rest_framework.settings import api_settings


def field_errors(detail: Any) -> list[dict[str, str]]:
    """One `{pointer, code, detail}` for each message in a ValidationError's `detail`.

    Pointers follow RFC 6901: `/passes/0/fluence_j_cm2`; an empty one means the whole body.
    """
    return list(_walk(detail, ""))


def pointer_to(keys: Iterable[object]) -> str:
    """The JSON Pointer of a value by the names and places that lead to it."""
    return "".join(f"/{_escape(key)}" for key in keys)


def _walk(detail: Any, pointer: str) -> Iterator[dict[str, str]]:
    if isinstance(detail, dict):
        for name, inner in detail.items():
            whole = name == api_settings.NON_FIELD_ERRORS_KEY
            yield from _walk(inner, pointer if whole else f"{pointer}/{_escape(name)}")
    elif isinstance(detail, list):
        for index, inner in enumerate(detail):
            nested = isinstance(inner, dict | list)
            yield from _walk(inner, f"{pointer}/{index}" if nested else pointer)
    else:
        code = detail.code if isinstance(detail, ErrorDetail) else "invalid"
        yield {"pointer": pointer, "code": str(code), "detail": str(detail)}


def _escape(name: object) -> str:
    return str(name).replace("~", "~0").replace("/", "~1")
