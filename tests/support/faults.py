"""Recalls are sent while everything around them fails: who was told, and how often."""

import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from itertools import cycle
from pathlib import Path
from threading import Event

import psycopg

from tests.support.provider import Moods, Provider
from tests.support.recall_arena import make_due
from tests.support.recall_crew import Crew, Killer
from tests.support.reporter import Reporter
from tests.support.web import Backing

LEASE_SECONDS = 2
SECRET = "local-only"
COUNTED = "SELECT count(*) FROM courses_message WHERE status IN ('completed', 'stopped')"
AT_THE_DESK = """
    SELECT 'fallow-message-' || message.id FROM courses_message AS message
    JOIN courses_recall AS recall ON recall.id = message.recall_id
    WHERE message.status = 'stopped' AND recall.status = 'on-hold'
"""
STATES = "SELECT status, count(*) FROM courses_message GROUP BY status"
LEFT = "SELECT 'fallow-message-' || id FROM courses_message WHERE status = 'completed'"
REPORTS = "SELECT count(*), count(DISTINCT message_id) FROM courses_deliveryreport"


@dataclass(frozen=True, slots=True)
class Plan:
    """How many patients are due, who sends, and what goes wrong.

    `beats=0` is the loop that needs no queue. `redis` and `postgres` say how often that server is
    troubled: emptied, killed and stopped in turn; restarted, aborted and killed in turn. With
    `moods` the provider is slow (for longer than the lease), broken or hangs up now and then.
    """

    messages: int
    kills: int
    delay_s: float = 0.1
    workers: int = 1
    beats: int = 1
    redis: int = 0
    postgres: int = 0
    moods: bool = False
    honours_keys: bool = True
    retry_s: int = 1
    seconds: float = 120
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Evidence:
    """Who was told how often, as files and provider have it, and what the service says of it.

    `asked`: how often a provider that does not know keys had told each.
    """

    due: int
    told: Counter[str]
    asked: Counter[str]
    desk: frozenset[str]
    left: frozenset[str]

    @property
    def lost(self) -> int:
        """Nobody told them, and nobody knows: they are not on the front desk's list either."""
        return self.due - len(set(self.told) | self.desk)

    @property
    def twice(self) -> int:
        """What was heard more than once."""
        return sum(number - 1 for number in self.told.values())

    @property
    def twice_without_keys(self) -> int:
        """What had been heard more than once from a provider that does not know keys."""
        return sum(number - 1 for number in self.asked.values())

    @property
    def untrue(self) -> int:
        """Said to have left, and had not."""
        return len(self.left - set(self.told))


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of it. `troubles`: how often each server was troubled; `starts` of workers.

    `reports` are in the database, `repeats` were answered as heard before, `unheard` are missing.
    """

    plan: Plan
    evidence: Evidence
    kills: int
    starts: int
    troubles: dict[str, int]
    states: dict[str, int]
    reports: int
    repeats: int
    unheard: int
    answers: dict[str, int]
    files: int
    seconds: float


@dataclass(slots=True)
class Watched:
    """A look at the database that outlives the database."""

    own: Backing
    link: psycopg.Connection | None = None

    def rows(self, statement: str) -> list[tuple]:
        """What it answers; asked again until it does."""
        give_up = time.monotonic() + 60
        while True:
            try:
                self.link = self.link or self.own.connect()
                return self.link.execute(statement).fetchall()
            except psycopg.OperationalError:
                self.close()
                if time.monotonic() > give_up:
                    raise
                time.sleep(0.1)

    def close(self) -> None:
        """Look no more, for now."""
        if self.link is not None:
            self.link.close()
        self.link = None

    @property
    def settled(self) -> int:
        """How many messages have left or were given up."""
        return self.rows(COUNTED)[0][0]


@dataclass(slots=True)
class Troubles:
    """What happens to the servers, after so many messages."""

    due: list[tuple[int, str, Callable[[], None]]]
    done: Counter[str] = field(default_factory=Counter)

    @classmethod
    def of(cls, plan: Plan, own: Backing) -> "Troubles":
        """Spread evenly over the run."""
        ways = {
            "redis": (plan.redis, (own.wipe_redis, own.crash_redis, own.stop_redis)),
            "postgres": (
                plan.postgres,
                (own.restart_postgres, own.abort_postgres, own.crash_postgres),
            ),
        }
        due = [
            (plan.messages * (2 * number + 1) // (2 * times), name, do)
            for name, (times, doings) in ways.items()
            for number, do in zip(range(times), cycle(doings), strict=False)
        ]
        return cls(sorted(due, key=lambda one: one[0]))

    def come(self, settled: int) -> None:
        """Do what is due by now, one at a time."""
        if self.due and settled >= self.due[0][0]:
            _, name, do = self.due.pop(0)
            do()
            self.done[name] += 1


def campaign(plan: Plan, own: Backing) -> Outcome:
    """Let patients fall due, let everything fail while they are told, and count what arrived.

    Ends when every message is settled, or after so many seconds.
    """
    make_due(plan.messages, environment=own.environment())
    moods = Moods(slow_s=LEASE_SECONDS + 1) if plan.moods else None
    with ExitStack() as stack:
        port = stack.enter_context(_web(own))
        provider = stack.enter_context(Provider(delay_s=plan.delay_s, moods=moods))
        crew = Crew.of(
            workers=plan.workers,
            beats=plan.beats,
            environment=_environment(plan, own, provider=provider),
            folder=own.folder,
        )
        killer = _killer(plan, crew)
        provider.on_effect = killer.strike
        began, troubles = time.monotonic(), Troubles.of(plan, own)
        watched = stack.enter_context(closing(Watched(own)))
        with Reporter(port, SECRET) as reporter:
            provider.on_delivered = reporter.deliver
            with crew.at_work():
                _watch(plan, crew=crew, watched=watched, troubles=troubles, began=began)
            seconds = time.monotonic() - began
        [(reports, reported)] = watched.rows(REPORTS)
        evidence = _evidence(plan, own, provider=provider, watched=watched)
        return Outcome(
            plan=plan,
            evidence=evidence,
            kills=killer.kills,
            starts=sum(worker.starts for worker in crew.workers),
            troubles=dict(troubles.done),
            states=dict(watched.rows(STATES)),
            reports=reports,
            repeats=reporter.answers["again"],
            unheard=reporter.told - reported,
            answers=dict(reporter.answers),
            files=len(list((own.folder / "outbox").glob("*.txt"))),
            seconds=seconds,
        )


@contextmanager
def _web(own: Backing) -> Iterator[int]:
    web = own.web(FALLOW_CALLBACK_SECRET=SECRET)
    try:
        web.start()
        yield web.port
    finally:
        web.end()


def _environment(plan: Plan, own: Backing, *, provider: Provider) -> dict[str, str]:
    """Of the workers: leases, ticks and pauses in seconds rather than minutes."""
    return own.environment(
        # Port 1 answers nobody: what runs without a queue must not miss it.
        REDIS_URL=own.redis.url if plan.beats else "redis://127.0.0.1:1/0",
        FALLOW_SMS_ENDPOINT=provider.endpoint,
        FALLOW_SMS_SECRET="local",
        FALLOW_SMS_HONOURS_KEYS="yes" if plan.honours_keys else "no",
        FALLOW_MESSAGE_LEASE_SECONDS=str(LEASE_SECONDS),
        FALLOW_RETRY_SECONDS=str(plan.retry_s),
        FALLOW_MESSAGE_TICK_SECONDS="1",
        FALLOW_RECALL_TICK_SECONDS="1",
    )


def _killer(plan: Plan, crew: Crew) -> Killer:
    chance = random.Random(plan.seed)
    # All of them come while there is still something to be sent; not every text is taken.
    texts = plan.messages * 3 // 5
    moments = sorted(chance.sample(range(2, texts), plan.kills))
    return Killer(crew, moments, delay_s=plan.delay_s, chance=chance)


def _watch(plan: Plan, *, crew: Crew, watched: Watched, troubles: Troubles, began: float) -> None:
    pause = Event()
    while time.monotonic() - began < plan.seconds:
        settled = watched.settled
        if settled >= plan.messages:
            return
        crew.ensure()
        troubles.come(settled)
        pause.wait(0.2)


def _evidence(plan: Plan, own: Backing, *, provider: Provider, watched: Watched) -> Evidence:
    letters = {file.stem: _addressee(file) for file in (own.folder / "outbox").glob("*.txt")}
    asked = Counter(letters.values())
    told = asked.copy()
    # What took effect: a request that was answered 500 before is none.
    to_of = letters | {one.key.strip('"'): one.body["to"] for one in provider.requests}
    for key, times in provider.keys.items():
        asked[to_of[key.strip('"')]] += times
        told[to_of[key.strip('"')]] += 1
    # Whom nobody was asked to tell has no address here, only a message.
    desk, left = (
        frozenset(to_of.get(key, key) for (key,) in watched.rows(rows))
        for rows in (AT_THE_DESK, LEFT)
    )
    return Evidence(
        due=plan.messages,
        told=told if plan.honours_keys else asked,
        asked=asked,
        desk=desk,
        left=left,
    )


def _addressee(letter: Path) -> str:
    lines = letter.read_text(encoding="utf-8").splitlines()
    return next(line for line in lines if line.startswith("To: ")).removeprefix("To: ")
