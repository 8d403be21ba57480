"""Answers that come line by line: newline-delimited JSON, for whoever accepts it.

What goes wrong before the first line is an ordinary problem document with its own status; what
goes wrong later is the last line, because the status has been sent.
"""

import json
import logging
from collections.abc import Iterator
from typing import Any, Final

from django.http import StreamingHttpResponse
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.utils.encoders import JSONEncoder

from core.api.problem import UNFORESEEN
from core.api.translation import describe
from core.db import carried_on
from core.request_id import current_request_id, request_id

logger = logging.getLogger(__name__)

MEDIA_TYPE: Final = "application/x-ndjson"


class NdjsonRenderer(JSONRenderer):
    """What a view lists when it can answer line by line; renders a problem as one line."""

    media_type = MEDIA_TYPE
    format = "ndjson"

    def get_indent(self, accepted_media_type: str, renderer_context: Any) -> int | None:
        return None


def wants_lines(request: Request) -> bool:
    """Whether the caller accepted lines rather than one document."""
    return isinstance(getattr(request, "accepted_renderer", None), NdjsonRenderer)


def by_line(lines: Iterator[dict[str, Any]], *, request: Request) -> StreamingHttpResponse:
    """The answer that sends each line as soon as there is one.

    Makes the first line at once, and raises what that raises.
    """
    first = next(lines)
    sent = _sent(first, carried_on(lines), path=request.path, identity=current_request_id())
    answer = StreamingHttpResponse(sent, content_type=MEDIA_TYPE)
    # Else a proxy may keep the lines until there are many.
    answer.headers["X-Accel-Buffering"] = "no"
    return answer


def _sent(
    first: dict[str, Any], rest: Iterator[dict[str, Any]], *, path: str, identity: str
) -> Iterator[bytes]:
    line: dict[str, Any] | None = first
    while line is not None:
        yield json.dumps(line, cls=JSONEncoder, ensure_ascii=False).encode() + b"\n"
        with request_id(identity):
            line = _next(rest, path=path)


def _next(lines: Iterator[dict[str, Any]], *, path: str) -> dict[str, Any] | None:
    """The next line; the problem when it fails, after which there is none."""
    try:
        return next(lines, None)
    except Exception as error:
        problem = describe(error)
        if problem is None:
            logger.exception("A line of %s failed", path)
        return {"problem": (problem or UNFORESEEN).body(instance=path)}
