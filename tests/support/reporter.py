"""The other half of a provider: it tells later what became of each message, and tells it often."""

import hmac
import http.client
import json
import queue
import random
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import TracebackType
from typing import Self

ADDRESS = "/api/v1/delivery-callbacks"
TELLERS = 2
GIVE_UP_SECONDS = 120


@dataclass(slots=True)
class Reporter:
    """Tells a running web process of each delivery, signed, one to three times, until it is heard.

    `answers` counts what it was told: `new`, `again`, or what went wrong.
    """

    port: int
    secret: str
    chance: random.Random = field(default_factory=lambda: random.Random(5))
    answers: Counter[str] = field(default_factory=Counter)
    told: int = 0
    _waiting: "queue.Queue[bytes | None]" = field(default_factory=queue.Queue)
    _threads: list[threading.Thread] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __enter__(self) -> Self:
        self._threads = [threading.Thread(target=self._work, daemon=True) for _ in range(TELLERS)]
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for _ in self._threads:
            self._waiting.put(None)
        for thread in self._threads:
            thread.join(GIVE_UP_SECONDS)

    def deliver(self, key: str) -> None:
        """The message of that key has reached the telephone."""
        body = json.dumps(
            {
                "id": f"report-{key}",
                "reference": key,
                "outcome": "delivered",
                "happened_at": datetime.now(UTC).isoformat(),
            }
        ).encode()
        with self._lock:
            self.told += 1
            times = self.chance.randint(1, 3)
        for _ in range(times):
            self._waiting.put(body)

    def _work(self) -> None:
        while (body := self._waiting.get()) is not None:
            give_up = time.monotonic() + GIVE_UP_SECONDS
            while (what := self._tell(body)) not in {"new", "again"}:
                with self._lock:
                    self.answers[what] += 1
                if time.monotonic() > give_up:
                    break
                time.sleep(0.2)
            with self._lock:
                self.answers[what] += 1

    def _tell(self, body: bytes) -> str:
        timestamp = str(int(time.time()))
        signed = hmac.new(self.secret.encode(), timestamp.encode() + b"." + body, "sha256")
        headers = {
            "Content-Type": "application/json",
            "Callback-Timestamp": timestamp,
            "Callback-Signature": signed.hexdigest(),
        }
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=15)
        try:
            link.request("POST", ADDRESS, body, headers)
            answer = link.getresponse()
            told = answer.read()
        except (OSError, http.client.HTTPException) as error:
            return f"broken {type(error).__name__}"
        finally:
            link.close()
        if answer.status != http.client.OK:
            return f"{answer.status}"
        return "again" if json.loads(told)["again"] else "new"
