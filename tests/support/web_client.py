"""A light HTTP client: one kept connection, JSON, and nothing that costs processor time."""

import http.client
import json
import time
from dataclasses import dataclass
from typing import Any

from config.servers.ports import LOOPBACK

BROKEN = (OSError, http.client.HTTPException)
# Shorter than the server keeps a connection that nobody uses.
IDLE_S = 3


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes
    seconds: float

    def json(self) -> Any:
        """The body."""
        return json.loads(self.body) if self.body else None


class WebClient:
    """Sends requests to one port; connects again after the connection broke."""

    def __init__(self, port: int, *, timeout_s: float = 40, keep: bool = True) -> None:
        self.keep = keep
        self._link = http.client.HTTPConnection(LOOPBACK, port, timeout=timeout_s)
        self._used_at = 0.0

    def post(
        self, path: str, body: Any = None, *, token: str = "", headers: dict[str, str] | None = None
    ) -> Answer:
        """POST JSON. Raises one of BROKEN when no whole answer comes."""
        sent = {"Content-Type": "application/json", **(headers or {})}
        if token:
            sent["Authorization"] = f"Bearer {token}"
        if not self.keep:
            sent["Connection"] = "close"
        began = time.perf_counter()
        if began - self._used_at > IDLE_S:
            self._link.close()
        try:
            self._link.request("POST", path, json.dumps(body or {}), sent)
            response = self._link.getresponse()
            told = response.read()
        except BROKEN:
            self._link.close()
            raise
        self._used_at = time.perf_counter()
        took = self._used_at - began
        return Answer(response.status, dict(response.headers), told, took)

    def close(self) -> None:
        """Close the connection."""
        self._link.close()
