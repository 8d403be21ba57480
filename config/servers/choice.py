"""Which servers a run uses: named ones first, else servers of our own."""

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from config.servers.folders import folders_of, outside_folder, state_folder
from config.servers.identity import server_identity
from config.servers.outside import check_database, check_redis
from config.servers.postgres import LocalPostgres
from config.servers.redis import LocalRedis


@dataclass(frozen=True, slots=True)
class Addresses:
    """Where the servers of a run answer."""

    database_url: str
    redis_url: str

    def as_environment(self) -> dict[str, str]:
        """As the settings read them."""
        return {"DATABASE_URL": self.database_url, "REDIS_URL": self.redis_url}


@contextmanager
def servers(
    state: Path, *, folder_name: str, lasting: bool, say: Callable[[str], None]
) -> Iterator[Addresses]:
    """Have a database and a Redis-compatible server while the block runs.

    DATABASE_URL and REDIS_URL win where they are set; else servers are started on data in the
    folder of that name. Raises ServerTrouble with a sentence for the person.
    """
    with ExitStack() as stack:
        yield Addresses(
            database_url=_database(stack, state, folder_name, lasting=lasting, say=say),
            redis_url=_redis(stack, state, folder_name, lasting=lasting, say=say),
        )


def forget(state: Path, *, name: str) -> None:
    """Delete the data of the servers of that name; the caller holds the lock of their run."""
    for folder in folders_of(state, name=name):
        identity = server_identity(keeper=folder / "postgres")
        LocalPostgres(base=folder, identity=identity).clear_leftovers()
        LocalRedis(base=folder, identity=identity).clear_leftovers()
        shutil.rmtree(folder)
    with suppress(OSError):
        # Stays while it holds the data of another run.
        outside_folder(state).rmdir()


def _database(
    stack: ExitStack, state: Path, name: str, *, lasting: bool, say: Callable[[str], None]
) -> str:
    named = os.environ.get("DATABASE_URL", "").strip()
    if named:
        say(check_database(named))
        return named
    identity = server_identity(keeper=state / name / "postgres")
    server = LocalPostgres(
        base=state_folder(state, name=name, identity=identity),
        identity=identity,
        lasting=lasting,
    )
    stack.callback(server.stop)
    server.start()
    say(f"{server.name}, data in {server.data}")
    return server.url


def _redis(
    stack: ExitStack, state: Path, name: str, *, lasting: bool, say: Callable[[str], None]
) -> str:
    named = os.environ.get("REDIS_URL", "").strip()
    if named:
        say(check_redis(named))
        return named
    identity = server_identity(keeper=state / name / "postgres")
    server = LocalRedis(
        base=state_folder(state, name=name, identity=identity),
        identity=identity,
        lasting=lasting,
    )
    stack.callback(server.stop)
    server.start()
    say(f"{server.name}")
    return server.url
