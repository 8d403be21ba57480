"""What sends recalls, as it is deployed: workers and beats in processes that can be killed."""

import os
import random
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests.support.programs import Program, children_of, end, start

CELERY = (sys.executable, "-m", "celery", "--quiet", "--app", "config")
WITHOUT_QUEUE = (sys.executable, "manage.py", "run_recalls", "--every", "0.5")


@dataclass(slots=True)
class Worker:
    """What sends, in a process group of its own: a Celery worker with two pool processes, or the
    loop that needs no queue."""

    environment: dict[str, str]
    log: Path
    command: tuple[str, ...]
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


@dataclass(slots=True)
class Crew:
    """So many workers, and so many beats where there is a queue."""

    workers: list[Worker]
    beats: list[Worker]

    @classmethod
    def of(cls, *, workers: int, beats: int, environment: dict[str, str], folder: Path) -> "Crew":
        """With a queue when there are beats, else the loop that needs none."""
        return cls(
            workers=[
                Worker(environment, folder / f"worker-{number}.log", _worker(number, beats))
                for number in range(workers)
            ],
            beats=[
                Worker(
                    {**environment, "FALLOW_BEAT_STATE": str(folder / f"beat-{number}")},
                    folder / f"beat-{number}.log",
                    (*CELERY, "beat", "--pidfile="),
                )
                for number in range(beats)
            ],
        )

    def ensure(self) -> None:
        """Start whoever does not run."""
        for one in (*self.workers, *self.beats):
            one.ensure()

    @contextmanager
    def at_work(self) -> Iterator["Crew"]:
        """For the length of the block."""
        try:
            self.ensure()
            yield self
        finally:
            for one in (*self.beats, *self.workers):
                one.kill()


def _worker(number: int, beats: int) -> tuple[str, ...]:
    if not beats:
        return WITHOUT_QUEUE
    return (*CELERY, "worker", "-c", "2", "-n", f"worker-{number}@%h")


@dataclass(slots=True)
class Killer:
    """Kills workers while they send.

    `moments`: after so many messages that the provider took. Two of three kills come while the
    provider has taken a message and not yet said so, the others a moment later, wherever the
    workers are by then. Every third takes a whole worker, the others its pool.
    """

    crew: Crew
    moments: list[int]
    delay_s: float
    chance: random.Random
    kills: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def strike(self, asked: int) -> None:
        """Called for each message that the provider takes, before it answers."""
        with self._lock:
            if not self.moments or asked < self.moments[0]:
                return
            self.moments.pop(0)
            later = self.chance.random() < 1 / 3
            pause = self.chance.uniform(0, 0.5 if later else self.delay_s / 2)
        if later:
            threading.Timer(pause, self._kill).start()
        else:
            time.sleep(pause)
            self._kill()

    def _kill(self) -> None:
        with self._lock:
            victims = list(self.crew.workers)
            self.chance.shuffle(victims)
            whole = self.kills % 3 == 2
            for victim in victims:
                if victim.process is None or victim.process.poll() is not None:
                    continue
                if whole or not victim.kill_children():
                    victim.kill()
                self.kills += 1
                return
        # All are dead by now: the next one that lives is taken.
        threading.Timer(0.2, self._kill).start()
