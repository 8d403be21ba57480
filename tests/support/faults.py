"""Real workers, a real beat and a real broker, killed while they send; and what came of it."""

import os
import random
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from threading import Event

import redis
from django.db import connection
from django.utils import timezone

from config.servers.redis import LocalRedis
from courses.models import Message
from tests.support.courses import make_ward
from tests.support.database import database_url
from tests.support.factories import make_clinic
from tests.support.programs import Program, children_of, end, start
from tests.support.provider import Moods, Provider
from tests.support.recalls import make_scene

LEASE_SECONDS = 2
TICK_SECONDS = 1


@dataclass(frozen=True, slots=True)
class Plan:
    """How many patients are due, how often workers die, and what happens to the broker.

    With `moods` the provider is slow, broken or hangs up now and then. So many times PostgreSQL
    ends every connection of the workers, as a restart does.
    """

    messages: int
    kills: int
    delay_s: float = 0.1
    broker_faults: bool = True
    seconds: float = 60
    seed: int = 0
    moods: bool = False
    cuts: int = 0


@dataclass(frozen=True, slots=True)
class Outcome:
    """What patients noticed. `twice_without_keys`: what a provider without keys had sent again."""

    messages: int
    kills: int
    wipes: int
    lost: int
    twice: int
    twice_without_keys: int
    files: int
    seconds: float
    cuts: int = 0


CELERY = (sys.executable, "-m", "celery", "--quiet", "--app", "config")
WITH_QUEUE = (*CELERY, "worker", "-c", "2")
WITHOUT_QUEUE = (sys.executable, "manage.py", "run_recalls", "--every", "0.5")


@dataclass(slots=True)
class Worker:
    """What sends, in a process group of its own: a Celery worker with two pool processes, or the
    loop that needs no queue."""

    environment: dict[str, str]
    log: Path
    command: tuple[str, ...] = WITH_QUEUE
    process: Program | None = None
    starts: int = 0

    def ensure(self) -> None:
        """Start it unless it runs."""
        if self.process is None or self.process.poll() is not None:
            self.process = start(self.command, environment=self.environment, log=self.log)
            self.starts += 1

    def kill_children(self) -> int:
        """SIGKILL the pool processes; the worker's main process stays. How many there were."""
        found = children_of(self.process.pid) if self.process else []
        for pid in found:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        return len(found)

    def kill(self) -> None:
        """SIGKILL all of it."""
        end(self.process)


def worker_environment(
    *, broker: LocalRedis | None, provider: Provider, folder: Path
) -> dict[str, str]:
    """Settings of a local run on this test's database, broker, provider and outbox."""
    return {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "config.settings.local",
        "DATABASE_URL": database_url(),
        # Port 1 answers nobody: what runs without a queue must not miss it.
        "REDIS_URL": broker.url if broker else "redis://127.0.0.1:1/0",
        "FALLOW_SMS_ENDPOINT": provider.endpoint,
        "FALLOW_SMS_SECRET": "local",
        "FALLOW_OUTBOX_DIR": str(folder / "outbox"),
        "FALLOW_BEAT_STATE": str(folder / "beat"),
        "FALLOW_MESSAGE_LEASE_SECONDS": str(LEASE_SECONDS),
        "FALLOW_MESSAGE_TICK_SECONDS": str(TICK_SECONDS),
        "FALLOW_RECALL_TICK_SECONDS": str(TICK_SECONDS),
    }


def make_due(number: int) -> None:
    """So many patients whose windows should have closed days ago, whatever the hour is now.

    Two of three are told by text message, the others by e-mail.
    """
    clinic = make_clinic()
    treated_at = timezone.now() - timedelta(days=60)
    for place in range(number):
        by_sms = place % 3 > 0
        contact = {"channel": "sms", "address": f"+4915{place:08}"} if by_sms else {}
        make_scene(
            make_ward(clinic=clinic),
            treated_at=treated_at,
            quiet_from="00:00",
            quiet_until="00:00",
            **contact,
        )


@dataclass(slots=True)
class Killer:
    """Kills workers in the middle of sending: the provider has taken it and not yet said so."""

    worker: Worker
    plan: Plan
    kills: int = 0
    _at: list[int] = field(default_factory=list)
    _chance: random.Random = field(default_factory=random.Random)

    def __post_init__(self) -> None:
        self._chance = random.Random(self.plan.seed)
        texts = self.plan.messages * 2 // 3
        self._at = sorted(self._chance.sample(range(2, texts), self.plan.kills), reverse=True)

    def strike(self, asked: int) -> None:
        """Called for each message that the provider takes, before it answers."""
        if not self._at or asked < self._at[-1]:
            return
        self._at.pop()
        time.sleep(self._chance.uniform(0, self.plan.delay_s / 2))
        self.kills += 1
        if self.kills % 3 == 0 or not self.worker.kill_children():
            self.worker.kill()


def campaign(plan: Plan, *, broker: LocalRedis | None, folder: Path) -> Outcome:
    """Let patients fall due, kill workers while they send, and count what arrived.

    With `broker_faults` Redis is emptied after a third, and killed and started empty after two
    thirds. Without a broker the loop that needs none does the work. Ends when everything is
    sent, or after so many seconds.
    """
    make_due(plan.messages)
    began = time.monotonic()
    with Provider(delay_s=plan.delay_s, moods=Moods() if plan.moods else None) as provider:
        environment = worker_environment(broker=broker, provider=provider, folder=folder)
        worker = Worker(
            environment,
            log=folder / "worker.log",
            command=WITH_QUEUE if broker else WITHOUT_QUEUE,
        )
        killer = Killer(worker, plan)
        provider.on_effect = killer.strike
        with running(worker, environment=environment, folder=folder):
            wipes, cuts = _watch(plan, worker=worker, broker=broker, began=began)
        return _outcome(
            plan,
            provider=provider,
            files=sorted((folder / "outbox").glob("*.txt")),
            kills=killer.kills,
            wipes=wipes,
            cuts=cuts,
            seconds=time.monotonic() - began,
        )


@contextmanager
def running(worker: Worker, *, environment: dict[str, str], folder: Path) -> Iterator[None]:
    """A worker, and a beat where there is a queue, for the length of the block."""
    beat = None
    try:
        worker.ensure()
        if worker.command == WITH_QUEUE:
            command = (*CELERY, "beat", "--pidfile=")
            beat = start(command, environment=environment, log=folder / "beat.log")
        yield
    finally:
        end(beat)
        worker.kill()


def _watch(
    plan: Plan, *, worker: Worker, broker: LocalRedis | None, began: float
) -> tuple[int, int]:
    """Restart what died, trouble broker and database, until all is sent; how often each."""
    troubles: list[Callable[[], None]] = []
    if plan.broker_faults and broker is not None:
        troubles = [lambda: _restart_empty(broker), lambda: _wipe(broker)]
    wipes, cuts, pause = 0, 0, Event()
    while (sent := _sent()) < plan.messages and time.monotonic() - began < plan.seconds:
        worker.ensure()
        if troubles and sent >= plan.messages * (wipes + 1) // 3:
            troubles.pop()()
            wipes += 1
        if cuts < plan.cuts and sent >= plan.messages * (cuts + 1) // (plan.cuts + 1):
            _cut_connections()
            cuts += 1
        pause.wait(0.1)
    return wipes, cuts


def _cut_connections() -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity"
            " WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )


def _sent() -> int:
    return Message.objects.filter(status="completed").count()


def _wipe(broker: LocalRedis) -> None:
    with redis.Redis.from_url(broker.url) as link:
        link.flushall()


def _restart_empty(broker: LocalRedis) -> None:
    broker.kill()
    broker.start()


def _outcome(
    plan: Plan,
    *,
    provider: Provider,
    files: list[Path],
    kills: int,
    wipes: int,
    cuts: int,
    seconds: float,
) -> Outcome:
    # What took effect: a request that was answered 500 before is none.
    to_of = {one.key: one.body["to"] for one in provider.requests}
    asked = Counter()
    for key, times in provider.keys.items():
        asked[to_of[key]] += times
    told = Counter(to_of[key] for key in provider.keys)
    told.update(_addressee(file) for file in files)
    return Outcome(
        messages=plan.messages,
        kills=kills,
        wipes=wipes,
        lost=plan.messages - len(told),
        twice=sum(number - 1 for number in told.values()),
        twice_without_keys=sum(number - 1 for number in asked.values()),
        files=len(files),
        seconds=seconds,
        cuts=cuts,
    )


def _addressee(letter: Path) -> str:
    lines = letter.read_text(encoding="utf-8").splitlines()
    return next(line for line in lines if line.startswith("To: "))
