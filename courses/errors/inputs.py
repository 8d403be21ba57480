"""Inputs that are malformed or break a rule, each field named."""

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from core.errors import Malformed, Refused
from courses.science.errors import InvalidInput
from devices.metrology import InvalidQuantity


class FieldsMalformed(Malformed):
    """Fields that cannot be so; `errors` names each with a JSON Pointer."""

    code = "invalid"
    title = "Some fields are wrong"


class InputRefused(Refused):
    """An input breaks a rule; `errors` names the field, and the rule as its code."""

    code = "input_refused"
    title = "An input breaks a rule"


def field_malformed(pointer: str, *, code: str, detail: str) -> FieldsMalformed:
    """One wrong field as a refusal; `pointer` is a JSON Pointer such as `/passes/0/line`."""
    return FieldsMalformed(detail, errors=[{"pointer": pointer, "code": code, "detail": detail}])


@contextmanager
def input_refused(names: Mapping[str, str] | None = None) -> Iterator[None]:
    """Turn what a pure package refuses into InputRefused.

    `names` gives the API's pointer where it differs from the package's field name.
    """
    try:
        yield
    except (InvalidInput, InvalidQuantity) as error:
        pointer = (names or {}).get(error.field) or pointer_of(error.field)
        raise InputRefused(
            error.message,
            errors=[{"pointer": pointer, "code": error.rule, "detail": error.message}],
        ) from error


def pointer_of(field: str) -> str:
    """A dotted field name as a JSON Pointer: `parts[0].share` is `/parts/0/share`."""
    return "/" + re.sub(r"\[(\d+)\]", r".\1", field).replace(".", "/")
