"""Bodies that come from forms: what a mail program posts, and what our own pages post."""

from collections.abc import Mapping
from typing import IO, Any, ClassVar, Final
from urllib.parse import parse_qs

from rest_framework.exceptions import ParseError
from rest_framework.parsers import BaseParser

WORDS: Final = {"true": True, "false": False}


class FormParser(BaseParser):
    """A form of a few short fields (application/x-www-form-urlencoded).

    What a form says of `booleans` becomes the JSON value, so that one serializer takes both.
    """

    media_type = "application/x-www-form-urlencoded"
    most_bytes: ClassVar[int] = 8192
    booleans: ClassVar[tuple[str, ...]] = ("everything",)

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> dict[str, Any]:
        raw = _read(stream, most=self.most_bytes)
        try:
            told = {name: values[-1] for name, values in parse_qs(raw.decode("ascii")).items()}
        except ValueError as error:
            raise ParseError("The body is no form.") from error
        return {
            name: WORDS.get(value, value) if name in self.booleans else value
            for name, value in told.items()
        }


class OneClickParser(FormParser):
    """The one body that mail programs post (RFC 8058, 3.2)."""

    most_bytes = 1024
    booleans = ()


class OneClickPartsParser(BaseParser):
    """The same as multipart/form-data, which the standard allows too."""

    media_type = "multipart/form-data"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> dict[str, Any]:
        raw = _read(stream, most=OneClickParser.most_bytes)
        said = b'name="List-Unsubscribe"' in raw and b"One-Click" in raw
        return {"List-Unsubscribe": "One-Click"} if said else {}


def _read(stream: IO[Any], *, most: int) -> bytes:
    raw: bytes = stream.read(most + 1)
    if len(raw) > most:
        raise ParseError("The body is too long.")
    return raw
