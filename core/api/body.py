"""Bodies: a field that an endpoint does not take is refused, so that a slip is not overlooked.

So is one that it only shows, since nothing would become of it, and a value of another JSON type
than the document says: a number in quotes is a text.
"""

from collections.abc import Iterator, Mapping
from typing import Any, Final

from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail

Path = tuple[str, ...]
Wrong = tuple[Path, ErrorDetail]

UNKNOWN: Final = ErrorDetail("There is no such field.", code="unknown")
READ_ONLY: Final = ErrorDetail("It is set by the service; leave it out.", code="read_only")
TYPES: Final[tuple[tuple[type[Any], tuple[type, ...], str], ...]] = (
    (serializers.BooleanField, (bool,), "true or false"),
    (serializers.IntegerField, (int, float), "a number"),
    (serializers.FloatField, (int, float), "a number"),
    (serializers.DecimalField, (int, float), "a number"),
    (serializers.PrimaryKeyRelatedField, (int, float), "a number"),
    (serializers.CharField, (str,), "a text"),
)


def refuse_unknown_fields(serializer: Any, data: Any) -> None:
    """Raise a validation error that names every field the serializer does not take.

    Among those are read-only ones. Nested serializers and lists of them are looked into; a JSON
    field holds what it likes. A value of another JSON type than the field has is refused likewise.
    """
    errors: dict[str, Any] = {}
    for path, wrong in _wrong(serializer, data):
        at = errors
        for key in path[:-1]:
            at = at.setdefault(key, {})
        at[path[-1]] = [wrong]
    if errors:
        raise serializers.ValidationError(errors)


def _wrong(field: Any, data: Any) -> Iterator[Wrong]:
    """The paths in `data` that the field (a serializer, or a list of them) does not take."""
    if isinstance(field, serializers.ListSerializer | serializers.ListField):
        if isinstance(data, list):
            for index, item in enumerate(data):
                yield from _below(str(index), field.child, item)
    elif isinstance(field, serializers.Serializer):
        if isinstance(data, Mapping):
            yield from _wrong_members(field, data)
    elif isinstance(data, str | int | float):
        yield from _of_another_type(field, data)


def _wrong_members(serializer: Any, data: Mapping[str, Any]) -> Iterator[Wrong]:
    for name, value in data.items():
        known = serializer.fields.get(name)
        if known is None:
            yield (str(name),), UNKNOWN
        elif known.read_only:
            yield (str(name),), READ_ONLY
        else:
            yield from _below(str(name), known, value)


def _of_another_type(field: Any, value: Any) -> Iterator[Wrong]:
    for kind, types, said in TYPES:
        if isinstance(field, kind):
            if isinstance(value, bool) is not (bool in types) or not isinstance(value, types):
                # A field that knows a word of its own for this says it.
                code = "number" if "number" in field.error_messages else "invalid"
                yield (), ErrorDetail(f"Give {said}.", code=code)
            return
    if isinstance(field, serializers.ChoiceField) and not isinstance(
        field, serializers.MultipleChoiceField
    ):
        types = tuple({type(choice) for choice in field.choices})
        if types and value != "" and type(value) not in types:
            yield (), ErrorDetail("Give one of the codes.", code="invalid")


def _below(key: str, field: Any, data: Any) -> Iterator[Wrong]:
    return (((key, *path), wrong) for path, wrong in _wrong(field, data))
