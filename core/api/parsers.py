"""JSON bodies, refused when too large, nested too deep or with text that cannot be stored.

So is one in which a name stands twice in an object: which of its values counts is left open (RFC
8259, section 4), so a slip would pass for what was meant.
"""

import json
import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from typing import IO, Any, Final

from django.conf import settings
from rest_framework import status
from rest_framework.exceptions import APIException, ParseError
from rest_framework.parsers import BaseParser

from core.api.pointers import pointer_to
from core.errors import Malformed

Path = tuple[Any, ...]
"""Empty for the whole body, else the path of what a value stands in, and its name or place."""

MOST_NAMED: Final = 20
MOST_DIGITS: Final = 308
"""A whole number of so many fits into a double, into which most programs read it (RFC 8259, 6)."""

SURROGATE_ESCAPE: Final = re.compile(rb"\\u[dD][89a-fA-F]")


class BodyTooLarge(APIException):
    """The body is larger than the service takes."""

    status_code = status.HTTP_413_REQUEST_ENTITY_TOO_LARGE
    default_code = "body_too_large"
    default_detail = "The body is larger than the service takes."


class NameRepeated(Malformed):
    """An object in the body has a name twice; `errors` say which and where."""

    code = "name_repeated"
    title = "A name stands twice in the body"


class StrictJSONParser(BaseParser):
    """RFC 8259 JSON in UTF-8; names once, no NaN, no half characters, bounded size and depth."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        raw = _read(stream)
        objects = _Objects()
        try:
            data = json.loads(
                raw.decode("utf-8"),
                object_pairs_hook=objects.made_of,
                parse_int=_whole_number,
                parse_float=_fraction,
                parse_constant=_refuse_constant,
            )
        except RecursionError as error:
            raise ParseError("The JSON is nested too deep.") from error
        except ValueError as error:
            raise ParseError(f"The body is not JSON: {error}") from error
        if SURROGATE_ESCAPE.search(raw):
            _refuse_half_characters(data)
        objects.refuse_repeated(data)
        return data


class _Objects:
    """Makes the objects of a body, and keeps those in which a name stands twice."""

    def __init__(self) -> None:
        self._repeated: dict[int, tuple[dict[str, Any], list[str]]] = {}

    def made_of(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        made = dict(pairs)
        if len(made) < len(pairs):
            times = Counter(name for name, _ in pairs)
            self._repeated[id(made)] = made, [name for name in made if times[name] > 1]
        return made

    def refuse_repeated(self, data: Any) -> None:
        """Raise NameRepeated where an object in `data` is one of those."""
        if not self._repeated:
            return
        found = islice(self._paths(data), MOST_NAMED)
        detail = "It stands twice in the same object; give it once."
        errors = [
            {"pointer": pointer_to(_keys(path)), "code": "repeated", "detail": detail}
            for path in found
        ]
        raise NameRepeated("See `errors` for each name that stands twice.", errors=errors)

    def _paths(self, data: Any) -> Iterator[Path]:
        left: list[tuple[Path, Any]] = [((), data)]
        while left:
            path, value = left.pop()
            inner: Iterable[tuple[Any, Any]] = ()
            if isinstance(value, dict):
                _, names = self._repeated.get(id(value), (value, []))
                yield from ((path, name) for name in names)
                inner = value.items()
            elif isinstance(value, list):
                inner = enumerate(value)
            left += [((path, key), one) for key, one in inner]


def _keys(path: Path) -> list[Any]:
    """Names and places from the outermost on."""
    keys: list[Any] = []
    while path:
        path, key = path
        keys.append(key)
    return keys[::-1]


def _read(stream: IO[Any]) -> bytes:
    limit = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    raw: bytes = stream.read(limit + 1)
    if len(raw) > limit:
        raise BodyTooLarge
    return raw


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is not JSON")


def _whole_number(text: str) -> int:
    if len(text.lstrip("-")) > MOST_DIGITS:
        raise ParseError(
            f"The body has a whole number that begins {text[:12]} and has more than {MOST_DIGITS} "
            "digits."
        )
    return int(text)


def _fraction(text: str) -> float:
    number = float(text)
    if math.isinf(number):
        raise ParseError(f"The body has a number that is too large; it begins {text[:12]}.")
    return number


def _refuse_half_characters(data: Any) -> None:
    """Half of a surrogate pair is legal in JSON's grammar but is no character in UTF-8."""
    try:
        json.dumps(data, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError as error:
        raise ParseError("The body has an escape that is half of a character.") from error
