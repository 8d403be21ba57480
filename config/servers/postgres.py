"""A PostgreSQL server of our own: its data made once, started and stopped with us."""

import locale
import secrets
import shutil
import signal
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import psycopg

from config.servers import processes
from config.servers.binaries import find_postgres
from config.servers.errors import ServerTrouble
from config.servers.identity import Identity
from config.servers.ports import LOOPBACK, any_free_port
from config.servers.reach import reachable

USER = "fallow"
DATABASE = "fallow"
FRESH = "Start with fresh data: make reset."
# A statement that fails is not quoted in the log, nor the values of a key: they may be a patient's.
DISCREET = ("log_min_error_statement=panic", "log_error_verbosity=terse")
# Tests may trade the safety of their data for speed.
FOR_TESTS = ("fsync=off", "synchronous_commit=off", "full_page_writes=off", "max_connections=300")
BUILTIN_LOCALE_SINCE = 17


@dataclass(slots=True)
class LocalPostgres:
    """One server with its data, password and log inside `base`, for this machine only.

    `lasting=False` is for tests. The port stays the same over stop, kill and start.
    """

    base: Path
    identity: Identity
    lasting: bool = True
    port: int = field(default_factory=any_free_port)
    name: str = field(default="PostgreSQL", init=False)
    _process: subprocess.Popen[bytes] | None = field(default=None, init=False)

    @property
    def data(self) -> Path:
        return self.base / "postgres"

    @property
    def log(self) -> Path:
        return self.base / "postgres.log"

    @property
    def url(self) -> str:
        secret = self._secret.read_text()
        return f"postgres://{USER}:{secret}@{LOOPBACK}:{self.port}/{DATABASE}"

    @property
    def _secret(self) -> Path:
        return self.base / "postgres.password"

    def start(self) -> None:
        """Make the data folder when there is none, start, and make the database.

        Raises ServerTrouble when no program fits, or the data are damaged, of another version
        or of another user.
        """
        major = self.data_version()
        found = find_postgres(major=major)
        self.name = found.name
        postgres = reachable(
            found.folder / "postgres",
            bundled=found.bundled,
            identity=self.identity,
            copies=self.base,
        )
        self.clear_leftovers()
        if major is None:
            self._make_data(postgres.with_name("initdb"), major=found.major)
        self._launch(postgres)
        self._ensure_database()

    def stop(self) -> None:
        """Stop after cutting off clients; the data are safe."""
        if self._process:
            processes.stop(self._process, how=signal.SIGINT)

    def abort(self) -> None:
        """Stop at once (PostgreSQL's immediate mode): the next start recovers from its log."""
        if self._process:
            processes.stop(self._process, how=signal.SIGQUIT)

    def kill(self) -> None:
        """End the server as a power cut would."""
        if self._process:
            self._process.kill()
            self._process.wait()

    def data_version(self) -> int | None:
        """Major version of the data, or None when there are none yet.

        Raises ServerTrouble when the data are damaged or belong to another user.
        """
        if not self.data.exists():
            return None
        try:
            version = (self.data / "PG_VERSION").read_text().strip()
            complete = (self.data / "global" / "pg_control").is_file() and self._secret.is_file()
        except PermissionError:
            raise ServerTrouble(
                f"The data folder {self.data} belongs to another user.",
                mend="Run the command as the user who made it, or remove the folder as that user.",
            ) from None
        except OSError:
            version, complete = "", False
        if not (complete and version.isdecimal()):
            raise ServerTrouble(f"The data folder {self.data} is damaged.", mend=FRESH)
        return int(version)

    def clear_leftovers(self) -> None:
        """Stop a server that a killed run left behind on these data; the caller holds the lock."""
        # Or it left only a pid file, whose number may be somebody else's now.
        pid_file = self.data / "postmaster.pid"
        if not pid_file.is_file():
            return
        pid = pid_file.read_text().split("\n", 1)[0].strip()
        if pid.isdecimal() and str(self.data) in processes.command_of(int(pid)):
            processes.stop_orphan(int(pid), how=signal.SIGINT)
        pid_file.unlink(missing_ok=True)

    def _make_data(self, initdb: Path, *, major: int) -> None:
        # Made aside and renamed when complete: an interrupted start leaves nothing half-made.
        aside = self.base / "postgres.new"
        shutil.rmtree(aside, ignore_errors=True)
        aside.mkdir(mode=0o700)
        self.identity.own(aside)
        secret = secrets.token_urlsafe(24)
        _write_secret(self._secret, secret)
        handed = self.base / "postgres.handed"
        _write_secret(handed, secret)
        self.identity.own(handed)
        command = [
            *(str(initdb), f"--pgdata={aside}", f"--username={USER}", f"--pwfile={handed}"),
            *("--auth=scram-sha-256", "--encoding=UTF8", *_locale_arguments(major)),
            *(() if self.lasting else ("--no-sync",)),
        ]
        try:
            processes.run(command, folder=self.base, identity=self.identity)
        except subprocess.CalledProcessError as failed:
            self.log.write_text(failed.output)
            raise ServerTrouble(
                f"PostgreSQL could not make its data folder: {processes.last_line(self.log)}",
                mend=f"The whole story is in {self.log}.",
            ) from None
        finally:
            handed.unlink()
        aside.rename(self.data)

    def _launch(self, postgres: Path) -> None:
        options = [f"listen_addresses={LOOPBACK}", f"port={self.port}", "unix_socket_directories="]
        options += DISCREET
        if not self.lasting:
            options += FOR_TESTS
        command = [str(postgres), "-D", str(self.data)]
        for option in options:
            command += ["-c", option]
        self._process = processes.start(
            command,
            folder=self.data,
            identity=self.identity,
            log=self.log,
            watch=processes.Watch(
                name="PostgreSQL", ready=self._is_ready, stop_with=signal.SIGINT, mend=FRESH
            ),
        )

    def _is_ready(self) -> bool:
        pid_file = self.data / "postmaster.pid"
        return pid_file.is_file() and "ready" in pid_file.read_text()

    def _ensure_database(self) -> None:
        administration = self.url.removesuffix(DATABASE) + "postgres"
        with psycopg.connect(administration, autocommit=True) as connection:
            known = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [DATABASE])
            if known.fetchone() is None:
                connection.execute(f"CREATE DATABASE {DATABASE}")


def _write_secret(path: Path, secret: str) -> None:
    path.unlink(missing_ok=True)
    path.touch(mode=0o600)
    path.write_text(secret)


def _locale_arguments(major: int) -> list[str]:
    # The same order and letter case on every machine, whatever languages it has.
    if major >= BUILTIN_LOCALE_SINCE:
        return ["--locale-provider=builtin", "--builtin-locale=C.UTF-8", "--locale=C"]
    return ["--locale=C", *(["--lc-ctype=C.UTF-8"] if _system_knows("C.UTF-8") else [])]


def _system_knows(name: str) -> bool:
    before = locale.setlocale(locale.LC_CTYPE)
    try:
        locale.setlocale(locale.LC_CTYPE, name)
    except locale.Error:
        return False
    locale.setlocale(locale.LC_CTYPE, before)
    return True
