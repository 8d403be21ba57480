"""The service as it is deployed: gunicorn with worker processes on servers of its own.

Durable ones: what PostgreSQL has said is committed is there after a crash.
"""

import http.client
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import psycopg
import redis

from config.servers.binaries import find_postgres
from config.servers.errors import ServerTrouble
from config.servers.folders import outside_folder, state_folder
from config.servers.identity import server_identity
from config.servers.ports import LOOPBACK, any_free_port
from config.servers.postgres import DATABASE, LocalPostgres
from config.servers.redis import LocalRedis
from tests.support.programs import Program, children_of, end, start

GUNICORN = (sys.executable, "-m", "gunicorn", "--config", "python:config.gunicorn")
SERVICE = "config.wsgi:application"
START_SECONDS = 60


@dataclass(slots=True)
class Web:
    """A gunicorn master with its workers, in a process group of its own."""

    environment: dict[str, str]
    log: Path
    application: str = SERVICE
    port: int = field(default_factory=any_free_port)
    process: Program | None = None

    def start(self, *, probe: str = "/api/v1/health") -> None:
        """Start it and wait until it answers."""
        environment = {**self.environment, "HOST": LOOPBACK, "PORT": str(self.port)}
        self.process = start((*GUNICORN, self.application), environment=environment, log=self.log)
        give_up = time.monotonic() + START_SECONDS
        while not self._answers(probe):
            if self.process.poll() is not None or time.monotonic() > give_up:
                raise RuntimeError(f"gunicorn does not answer:\n{self.log.read_text()[-3000:]}")
            time.sleep(0.05)

    def workers(self) -> list[int]:
        """The worker processes that run now."""
        return children_of(self.process.pid) if self.process else []

    def kill_worker(self, chance: random.Random) -> bool:
        """SIGKILL one worker; the master starts another. Whether there was one."""
        found = self.workers()
        if found:
            with suppress(ProcessLookupError):
                os.kill(chance.choice(found), signal.SIGKILL)
        return bool(found)

    def stop(self, *, seconds: float = 60) -> int:
        """SIGTERM, as a deployment does; the exit code."""
        self.process.terminate()
        return self.process.wait(seconds)

    def end(self) -> None:
        """SIGKILL all of it."""
        end(self.process)

    def _answers(self, path: str) -> bool:
        link = http.client.HTTPConnection(LOOPBACK, self.port, timeout=5)
        try:
            link.request("GET", path)
            return link.getresponse().status == 200
        except (OSError, http.client.HTTPException):
            return False
        finally:
            link.close()


@dataclass(slots=True)
class Backing:
    """A database and a cache of our own, and what the service needs to know of them."""

    postgres: LocalPostgres
    redis: LocalRedis
    folder: Path
    database: str = DATABASE

    @property
    def url(self) -> str:
        """Where the database is."""
        return self.postgres.url.removesuffix(DATABASE) + self.database

    def copied(self, name: str, *, folder: Path) -> "Backing":
        """A database of that name on the same server, as this one is now; nobody may be in it."""
        with psycopg.connect(self.url.removesuffix(self.database) + "postgres") as link:
            link.autocommit = True
            link.execute(f"CREATE DATABASE {name} TEMPLATE {self.database}")
        (folder / "static").mkdir(exist_ok=True)
        return replace(self, database=name, folder=folder)

    def environment(self, **more: str) -> dict[str, str]:
        """Settings of production, but for TLS."""
        return {
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "config.settings.production",
            "DATABASE_URL": self.url,
            "REDIS_URL": self.redis.url,
            "FALLOW_SECRET_KEY": "local-" + "not-a-secret-" * 4,
            # Those of the settings that tests build with and look with.
            "FALLOW_ENCRYPTION_KEYS": "dGVzdC1vbmx5LW5vdC1hLXNlY3JldC1ub3QtYS1zZWM=",
            "FALLOW_INDEX_KEYS": "test-only-index-key-not-a-secret",
            "FALLOW_ALLOWED_HOSTS": LOOPBACK,
            "FALLOW_PUBLIC_URL": "https://fallow.example",
            "FALLOW_TLS_REDIRECT": "no",
            "FALLOW_OUTBOX_DIR": str(self.folder / "outbox"),
            "FALLOW_STATIC_DIR": str(self.folder / "static"),
            "FALLOW_LOG_LEVEL": "WARNING",
            **more,
        }

    def web(self, **more: str) -> Web:
        """The service on these servers, not yet started."""
        return Web(self.environment(**more), log=self.folder / "web.log")

    def connect(self) -> psycopg.Connection:
        """A look at the database from outside of the service."""
        return psycopg.connect(self.url, autocommit=True)

    def crash_postgres(self, *, pause_s: float = 0) -> None:
        """Its main process is killed; it is started again after a pause."""
        self.postgres.kill()
        time.sleep(pause_s)
        self._start_again()

    def abort_postgres(self) -> None:
        """Stop in immediate mode: every process quits at once, nothing is tidied up."""
        self.postgres.abort()
        self._start_again()

    def restart_postgres(self) -> None:
        """Stop in good order, cutting off clients, and start."""
        self.postgres.stop()
        self._start_again()

    def wipe_redis(self) -> None:
        """Everything in it is gone; it goes on."""
        with redis.Redis.from_url(self.redis.url) as link:
            link.flushall()

    def crash_redis(self) -> None:
        """It is killed and comes back empty."""
        self.redis.kill()
        self.redis.start()

    def stop_redis(self, *, pause_s: float = 3) -> None:
        """It is stopped, stays away for a while and comes back empty."""
        self.redis.stop()
        time.sleep(pause_s)
        self.redis.start()

    def _start_again(self) -> None:
        # Orphans of a killed server hold its memory until they have noticed.
        give_up = time.monotonic() + START_SECONDS
        while True:
            try:
                return self.postgres.start()
            except (ServerTrouble, psycopg.OperationalError):
                if time.monotonic() > give_up:
                    raise
                time.sleep(0.2)


@contextmanager
def backing(folder: Path) -> Iterator[Backing]:
    """Start PostgreSQL and a Redis-compatible server on new data; gone afterwards."""
    identity = server_identity()
    base = state_folder(folder, name="servers", identity=identity)
    own = Backing(
        LocalPostgres(base=base, identity=identity),
        LocalRedis(base=base, identity=identity, lasting=False),
        folder=folder,
    )
    (folder / "static").mkdir(exist_ok=True)
    try:
        own.postgres.start()
        own.redis.start()
        yield own
    finally:
        own.redis.stop()
        own.postgres.stop()
        shutil.rmtree(outside_folder(folder), ignore_errors=True)


def postgres_program(name: str) -> Path:
    """A program that came with PostgreSQL, such as pgbench."""
    return find_postgres().folder / name
