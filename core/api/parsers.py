"""JSON bodies, refused when too large, nested too deep or with text that cannot be stored."""

import json
import re
from collections.abc import Mapping
from typing import IO, Any, Final

from django.conf import settings
from rest_framework import status
from rest_framework.exceptions import APIException, ParseError
from rest_framework.parsers import BaseParser

SURROGATE_ESCAPE: Final = re.compile(rb"\\u[dD][89a-fA-F]")


class BodyTooLarge(APIException):
    """The body is larger than the service takes."""

    status_code = status.HTTP_413_REQUEST_ENTITY_TOO_LARGE
    default_code = "body_too_large"
    default_detail = "The body is larger than the service takes."


class StrictJSONParser(BaseParser):
    """RFC 8259 JSON in UTF-8; no NaN or Infinity, no half characters, bounded size and depth."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        raw = _read(stream)
        try:
            data = json.loads(raw.decode("utf-8"), parse_constant=_refuse_constant)
        except RecursionError as error:
            raise ParseError("The JSON is nested too deep.") from error
        except ValueError as error:
            raise ParseError(f"The body is not JSON: {error}") from error
        if SURROGATE_ESCAPE.search(raw):
            _refuse_half_characters(data)
        return data


def _read(stream: IO[Any]) -> bytes:
    limit = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    raw: bytes = stream.read(limit + 1)
    if len(raw) > limit:
        raise BodyTooLarge
    return raw


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is not JSON")


def _refuse_half_characters(data: Any) -> None:
    """Half of a surrogate pair is legal in JSON's grammar but is no character in UTF-8."""
    try:
        json.dumps(data, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError as error:
        raise ParseError("The body has an escape that is half of a character.") from error
