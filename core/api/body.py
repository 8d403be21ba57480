"""Bodies: a field that an endpoint does not know is refused, so that a slip is not overlooked."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail

Unknown = tuple[str, ...]


def refuse_unknown_fields(serializer: Any, data: Any) -> None:
    """Raise a validation error that names every field the serializer does not take.

    Nested serializers and lists of them are looked into; a JSON field holds what it likes.
    """
    errors: dict[str, Any] = {}
    for path in unknown_fields(serializer, data):
        at = errors
        for key in path[:-1]:
            at = at.setdefault(key, {})
        at[path[-1]] = [ErrorDetail("There is no such field.", code="unknown")]
    if errors:
        raise serializers.ValidationError(errors)


def unknown_fields(field: Any, data: Any) -> Iterator[Unknown]:
    """The paths in `data` that the field (a serializer, or a list of them) does not know."""
    if isinstance(field, serializers.ListSerializer | serializers.ListField):
        if isinstance(data, Sequence) and not isinstance(data, str):
            for index, item in enumerate(data):
                yield from _below(str(index), field.child, item)
    elif isinstance(field, serializers.Serializer) and isinstance(data, Mapping):
        for name, value in data.items():
            known = field.fields.get(name)
            if known is None:
                yield (str(name),)
            else:
                yield from _below(str(name), known, value)


def _below(key: str, field: Any, data: Any) -> Iterator[Unknown]:
    return ((key, *path) for path in unknown_fields(field, data))
