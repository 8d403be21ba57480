"""Clients that book, hold, move, cancel and confirm over HTTP, and remember what they were told.

Each repeats a request with the same Idempotency-Key until it gets an answer that settles it: after
a broken connection, 503, or when the first request with that key is still running.
"""

import json
import random
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any
from uuid import uuid4

from tests.support.web_arena import WebArena
from tests.support.web_client import BROKEN, Answer, WebClient

MINUTES = 30
LASER_ROLES = ["room", "operator", "laser", "handpiece", "patient"]
TWO_PASSES = [
    {"minutes": 10, "label": "pass 1", "roles": LASER_ROLES},
    {"minutes": 20, "label": "wait", "roles": ["room", "patient"]},
    {"minutes": 10, "label": "pass 2", "roles": LASER_ROLES},
]
PROBLEM = "application/problem+json"
KEPT_OPEN = 6
PATIENCE_S = 120


@dataclass(frozen=True, slots=True)
class Settled:
    """One attempt with the answer that settled it; the body of a refusal is not kept."""

    key: str
    kind: str
    status: int
    body: bytes

    @property
    def done(self) -> bool:
        """Whether the service said that it was done."""
        return 200 <= self.status < 300


@dataclass(slots=True)
class Ledger:
    """All that the clients were told."""

    settled: list[Settled] = field(default_factory=list)
    told: dict[int, dict[str, Any]] = field(default_factory=dict)
    answers: Counter[str] = field(default_factory=Counter)
    unfit: list[str] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)

    def add(self, other: "Ledger") -> None:
        """Put another client's together with this one."""
        self.settled += other.settled
        self.told.update(other.told)
        self.answers.update(other.answers)
        self.unfit += other.unfit
        self.seconds += other.seconds

    def note(self, answer: Answer) -> None:
        """Count an answer, settling or not; keep those that no client should ever get."""
        kind = answer.headers.get("Content-Type", "").partition(";")[0]
        code = answer.json()["code"] if kind == PROBLEM else ""
        self.answers[f"{answer.status} {code}".strip()] += 1
        refused = answer.status >= 400
        if (
            answer.status in {429, 500}
            or (refused and kind != PROBLEM)
            or (answer.status == 503 and "Retry-After" not in answer.headers)
        ):
            self.unfit.append(f"{answer.status} {kind} {answer.body[:200]!r}")


def random_visit(arena: WebArena, chance: random.Random) -> dict[str, Any]:
    """The body of a request for some place and time: a whole visit, or one with a wait in it."""
    laser, handpiece = chance.choice(arena.devices)
    visit = {
        "start": chance.choice(arena.starts),
        "clinic": arena.clinic,
        "room": chance.choice(arena.rooms),
        "operator": chance.choice(arena.operators),
        "laser": laser,
        "handpieces": [handpiece],
        "wavelengths_nm": [1064],
    }
    whole = chance.random() < 0.5
    return {**visit, "minutes": MINUTES} if whole else {**visit, "segments": TWO_PASSES}


@dataclass(slots=True)
class Member:
    """One client with callers (tokens) and appointments of its own."""

    port: int
    arena: WebArena
    tokens: list[str]
    chance: random.Random
    ledger: Ledger = field(default_factory=Ledger)
    own: dict[int, tuple[str, str]] = field(default_factory=dict)
    think_s: float = 0
    _link: WebClient = field(init=False)

    def __post_init__(self) -> None:
        self._link = WebClient(self.port)

    def attempt(self) -> None:
        """One thing that a front desk does, chosen at random."""
        if self.think_s:
            time.sleep(self.chance.expovariate(1 / self.think_s))
        held = [pk for pk in self.own if self.ledger.told[pk]["status"] == "proposed"]
        roll = self.chance.random()
        if len(self.own) >= KEPT_OPEN or (self.own and roll < 0.15):
            self._change(self._any(list(self.own)), "cancel", {"reason": "invented"})
        elif held and roll < 0.4:
            self._change(self._any(held), "confirm", {})
        elif self.own and roll < 0.55:
            self._change(self._any(list(self.own)), "move", self._visit())
        else:
            self._book(hold=roll > 0.85)

    def close(self) -> None:
        """Hang up."""
        self._link.close()

    def _book(self, *, hold: bool) -> None:
        body = {**self._visit(), "course": self._any(self.arena.courses)}
        if hold:
            body["hold_minutes"] = 30
        token = self._any(self.tokens)
        answer = self._settle("hold" if hold else "book", "/appointments", body, token=token)
        if answer.status == 201:
            self._remember(answer, token)

    def _change(self, pk: int, verb: str, body: dict[str, Any]) -> None:
        token, tag = self.own[pk]
        path = f"/appointments/{pk}/{verb}"
        answer = self._settle(verb, path, body, token=token, headers={"If-Match": tag})
        if answer.status == 200:
            self._remember(answer, token)

    def _remember(self, answer: Answer, token: str) -> None:
        told = answer.json()
        self.ledger.told[told["id"]] = told
        self.own[told["id"]] = token, answer.headers["ETag"]
        if told["status"] == "cancelled":
            del self.own[told["id"]]

    def _settle(
        self,
        kind: str,
        path: str,
        body: dict[str, Any],
        *,
        token: str,
        headers: dict[str, str] | None = None,
    ) -> Answer:
        key = str(uuid4())
        headers = {**(headers or {}), "Idempotency-Key": f'"{key}"'}
        give_up = time.monotonic() + PATIENCE_S
        while time.monotonic() < give_up:
            try:
                answer = self._link.post("/api/v1" + path, body, token=token, headers=headers)
            except BROKEN as error:
                self.ledger.answers[f"broken: {type(error).__name__}"] += 1
                time.sleep(self.chance.uniform(0, 0.1))
                continue
            self.ledger.note(answer)
            if answer.status != 503 and not _still_running(answer):
                settled = Settled(key, kind, answer.status, answer.body)
                self.ledger.settled.append(settled if settled.done else replace(settled, body=b""))
                self.ledger.seconds.append(answer.seconds)
                return answer
            time.sleep(self.chance.uniform(0, 0.2))
        raise TimeoutError(f"{kind} was not settled: {dict(self.ledger.answers)}")

    def _visit(self) -> dict[str, Any]:
        return random_visit(self.arena, self.chance)

    def _any(self, of: list[Any]) -> Any:
        return self.chance.choice(of)


def _still_running(answer: Answer) -> bool:
    return answer.status == 409 and json.loads(answer.body)["code"] == "idempotency_in_progress"


@dataclass(slots=True)
class Crowd:
    """Several clients at once, each in a thread, until so many attempts are settled."""

    members: list[Member]
    attempts: int
    failures: list[Exception] = field(default_factory=list)
    _begun: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _threads: list[threading.Thread] = field(default_factory=list)

    @classmethod
    def of(
        cls, arena: WebArena, *, port: int, clients: int, attempts: int, seed: int = 0
    ) -> "Crowd":
        """So many clients, who share the callers of the arena among them."""
        return cls(
            [
                Member(port, arena, arena.tokens[n::clients], random.Random(f"{seed}-{n}"))
                for n in range(clients)
            ],
            attempts=attempts,
        )

    @property
    def begun(self) -> int:
        """How many attempts have begun."""
        return self._begun

    def start(self) -> None:
        """Let them begin."""
        self._threads = [
            threading.Thread(target=self._run, args=(member,), daemon=True)
            for member in self.members
        ]
        for thread in self._threads:
            thread.start()

    def busy(self) -> bool:
        """Whether any of them still has something to do."""
        return any(thread.is_alive() for thread in self._threads)

    def finish(self) -> Ledger:
        """Wait for all of them; what they were told. Raises what a client has met."""
        for thread in self._threads:
            thread.join()
        if self.failures:
            raise self.failures[0]
        ledger = Ledger()
        for member in self.members:
            ledger.add(member.ledger)
        return ledger

    def _run(self, member: Member) -> None:
        try:
            while self._next():
                member.attempt()
        except Exception as failure:  # noqa: BLE001 - told to who waits for the crowd
            self.failures.append(failure)
            self._begun = self.attempts
        finally:
            member.close()

    def _next(self) -> bool:
        with self._lock:
            self._begun += 1
            return self._begun <= self.attempts


Trouble = Callable[[], object]


def with_troubles(crowd: Crowd, troubles: dict[int, Trouble], *, pause_s: float = 0.02) -> Ledger:
    """Let the crowd work, and trouble it when so many attempts have begun."""
    crowd.start()
    for at, trouble in sorted(troubles.items()):
        while crowd.busy() and crowd.begun < at:
            time.sleep(pause_s)
        trouble()
    return crowd.finish()
