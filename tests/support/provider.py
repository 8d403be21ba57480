"""A provider of text messages on this machine, as real as a socket can make it."""

import json
import random
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Self


@dataclass(frozen=True, slots=True)
class Request:
    """What came in."""

    headers: dict[str, str]
    body: dict[str, Any]

    @property
    def key(self) -> str:
        """Its Idempotency-Key."""
        return self.headers["Idempotency-Key"]


@dataclass(frozen=True, slots=True)
class Answer:
    """What goes out instead of success."""

    status: int
    retry_after: str = ""
    body: bytes = b"{}"


def _nothing(asked: int) -> None:
    """Happens when a message has taken effect, before the answer; `asked` counts them."""


def _not_told(key: str) -> None:
    """Happens when a message has reached its telephone for the first time."""


@dataclass(frozen=True, slots=True)
class Moods:
    """Of a hundred requests so many are answered late, with 500 before or after the effect, or
    not at all after the effect: the connection is closed."""

    slow: int = 5
    broken: int = 5
    broken_after: int = 5
    hung_up: int = 5
    slow_s: float = 1.0
    chance: random.Random = field(default_factory=lambda: random.Random(8))

    def pick(self) -> str:
        """What happens to the next request."""
        number = self.chance.randrange(100)
        for mood in ("slow", "broken", "broken_after", "hung_up"):
            number -= getattr(self, mood)
            if number < 0:
                return mood
        return ""


HANG_UP = Answer(0)


class Provider:
    """Counts what it was asked and what took effect.

    It honours keys: a key it has seen has no second effect. `asked` counts what a provider
    without keys would have sent. It takes effect first and answers `delay_s` later, so that a
    worker can die in between.
    """

    def __init__(self, *, delay_s: float = 0.0, moods: "Moods | None" = None) -> None:
        self.delay_s = delay_s
        self.moods = moods
        self.on_delivered = _not_told
        self.answers: list[Answer] = []
        self.on_effect = _nothing
        self.requests: list[Request] = []
        self.keys: Counter[str] = Counter()
        self._lock = threading.Lock()
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self._server.daemon_threads = True
        self._server.block_on_close = False
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    @property
    def endpoint(self) -> str:
        return f"http://127.0.0.1:{self._server.server_port}/messages"

    @property
    def asked(self) -> int:
        return sum(self.keys.values())

    @property
    def effects(self) -> int:
        return len(self.keys)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """Answer nobody any more."""
        if self._thread.is_alive():
            self._server.shutdown()
            self._server.server_close()
            self._thread.join()

    def take(self, request: Request) -> Answer:
        """Let one request take effect, unless an answer was prepared."""
        with self._lock:
            self.requests.append(request)
            if self.answers:
                return self.answers.pop(0)
            mood = self.moods.pick() if self.moods else ""
            if mood == "broken":
                return Answer(500)
            self.keys[request.key] += 1
            reference = f"provider-{list(self.keys).index(request.key) + 1}"
            asked, first = self.asked, self.keys[request.key] == 1
        if first:
            # It may come before our own answer does.
            self.on_delivered(request.key.strip('"'))
        self.on_effect(asked)
        time.sleep(self.moods.slow_s if self.moods and mood == "slow" else self.delay_s)
        if mood == "broken_after":
            return Answer(500)
        if mood == "hung_up":
            return HANG_UP
        return Answer(200, body=json.dumps({"id": reference}).encode())

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        provider = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = int(self.headers["Content-Length"])
                body = json.loads(self.rfile.read(length))
                answer = provider.take(Request(headers=dict(self.headers), body=body))
                try:
                    self._answer(answer)
                except OSError:
                    # Whoever asked is dead; what was asked has been done.
                    self.close_connection = True

            def _answer(self, answer: Answer) -> None:
                if answer is HANG_UP:
                    self.close_connection = True
                    return
                self.send_response(answer.status)
                if answer.retry_after:
                    self.send_header("Retry-After", answer.retry_after)
                self.send_header("Content-Length", str(len(answer.body)))
                self.end_headers()
                self.wfile.write(answer.body)

            def log_message(self, *_: Any) -> None:
                """Say nothing."""

        return Handler
