"""What the web server writes to its log: lines as the service's own, and nothing of a request."""

from typing import Any, Final

from gunicorn.glogging import Logger  # type: ignore[import-untyped]

from config.logs import JsonFormatter

UNREAD: Final = "Invalid request"
FAILED: Final = "Error handling request"


class ServerLog(Logger):  # type: ignore[misc]
    """Its lines are JSON. Of a request an address may say whom it was about: none is repeated."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        for handler in self.error_log.handlers:
            handler.setFormatter(JsonFormatter())

    def warning(self, msg: str, *args: Any, **kwargs: Any) -> None:
        """Leaves out what says again what could not be read: config.unread has a line for it."""
        if not msg.startswith(UNREAD):
            super().warning(msg, *args, **kwargs)

    def exception(self, msg: Any, *args: Any, **kwargs: Any) -> None:
        """Leaves the address out."""
        if str(msg).startswith(FAILED):
            msg, args = FAILED, ()
        super().exception(msg, *args, **kwargs)
