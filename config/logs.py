"""Log lines as JSON, each with the id of the request it belongs to."""

import json
import logging
import traceback
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any


class AddressFilter(logging.Filter):
    """What the framework tells of a request that failed has the pattern of its address only.

    The address itself may say who somebody is, or open something.
    """

    def filter(self, record: logging.LogRecord) -> bool:
        """Put the pattern in place of the address."""
        request = getattr(record, "request", None)
        path = getattr(request, "path", "").encode("unicode_escape").decode("ascii")
        match = getattr(request, "resolver_match", None)
        if path and isinstance(record.args, tuple):
            told = match.route if match else "unknown"
            record.args = tuple(told if one == path else one for one in record.args)
        return True


class JsonFormatter(logging.Formatter):
    """One JSON object for each record: instant (UTC), level, logger, request id, message.

    What a line is about in single values is given as `extra={"fields": {...}}`. Of an error it has
    the kind and the places in the code: its text can quote a patient, as PostgreSQL does with the
    row that breaks a rule.
    """

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, tz=UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "request_id": getattr(record, "request_id", None),
            "message": _message(record),
            **getattr(record, "fields", {}),
        }
        if record.exc_info:
            line["trace"] = "\n".join(_told(record.exc_info[1]))
        return json.dumps(line, default=str, ensure_ascii=False)


def _message(record: logging.LogRecord) -> str:
    """What the line says, where it tells of an error with the error's kind."""
    error = record.exc_info[1] if record.exc_info else None
    if error is None or not isinstance(record.args, Mapping) or "exc" not in record.args:
        return record.getMessage()
    # Of a task that failed the queue says what its error says.
    return str(record.msg) % {**record.args, "exc": _kind(error)}


def _told(error: BaseException | None) -> Iterator[str]:
    """An error and those behind it, the last first."""
    while error is not None:
        yield _kind(error)
        yield from (place.rstrip() for place in traceback.format_tb(error.__traceback__))
        error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)


def _kind(error: BaseException) -> str:
    """Its class, and what PostgreSQL says of it that quotes nobody."""
    state: Any = getattr(error, "sqlstate", None)
    rule: Any = getattr(getattr(error, "diag", None), "constraint_name", None)
    named = f"{type(error).__module__}.{type(error).__qualname__}"
    return " ".join(str(one) for one in (named, state, rule) if one)
