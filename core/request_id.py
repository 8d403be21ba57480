"""The id of the request at hand, for log lines, audit rows and answers."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_current: ContextVar[str] = ContextVar("request_id", default="")


def current_request_id() -> str:
    """The id of the request at hand, or an empty text outside of one."""
    return _current.get()


@contextmanager
def request_id(value: str) -> Iterator[None]:
    """Inside the block, `value` is the id of the request at hand."""
    mark = _current.set(value)
    try:
        yield
    finally:
        _current.reset(mark)


class RequestIdFilter(logging.Filter):
    """Puts `request_id` on each log record (an empty text outside of a request)."""

    def filter(self, record: logging.LogRecord) -> bool:
        # Django logs the last line about a request after the middleware is through with it.
        carried = getattr(getattr(record, "request", None), "request_id", "")
        record.request_id = current_request_id() or carried
        return True
