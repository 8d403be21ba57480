"""Log lines as JSON, each with the id of the request it belongs to."""

import json
import logging
from datetime import UTC, datetime


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

    What a line is about in single values is given as `extra={"fields": {...}}`.
    """

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, tz=UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "request_id": getattr(record, "request_id", None),
            "message": record.getMessage(),
            **getattr(record, "fields", {}),
        }
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, default=str, ensure_ascii=False)
