"""A Redis-compatible server of our own, started and stopped with us."""

import re
import secrets
import signal
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import redis

from config.servers import processes
from config.servers.binaries import find_redis
from config.servers.identity import Identity
from config.servers.ports import LOOPBACK, any_free_port
from config.servers.reach import reachable


@dataclass(slots=True)
class LocalRedis:
    """One server with its data and log inside `base`, for this machine only.

    `lasting=False` keeps nothing on disk. Port and password stay the same over stop, kill and
    start.
    """

    base: Path
    identity: Identity
    lasting: bool = True
    port: int = field(default_factory=any_free_port)
    name: str = field(default="Redis-compatible server", init=False)
    _secret: str = field(default_factory=lambda: secrets.token_urlsafe(24), init=False)
    _process: subprocess.Popen[bytes] | None = field(default=None, init=False)

    @property
    def data(self) -> Path:
        return self.base / "redis"

    @property
    def log(self) -> Path:
        return self.base / "redis.log"

    @property
    def url(self) -> str:
        return f"redis://:{self._secret}@{LOOPBACK}:{self.port}/0"

    def start(self) -> None:
        """Start the server. Raises ServerTrouble when no program fits or it ends at once."""
        found = find_redis()
        self.name = found.name
        program = reachable(
            found.path, bundled=found.bundled, identity=self.identity, copies=self.base
        )
        self.data.mkdir(mode=0o700, exist_ok=True)
        self.identity.own(self.data)
        self.clear_leftovers()
        self._write_config()
        self._process = processes.start(
            [str(program), str(self._config)],
            folder=self.data,
            identity=self.identity,
            log=self.log,
            watch=processes.Watch(
                name="The Redis-compatible server",
                ready=self._answers,
                stop_with=signal.SIGTERM,
                mend=f"Nothing that matters is lost by deleting {self.data}.",
            ),
        )

    def stop(self) -> None:
        """Stop in good order."""
        if self._process:
            processes.stop(self._process, how=signal.SIGTERM)

    def kill(self) -> None:
        """End the server as a power cut would."""
        if self._process:
            self._process.kill()
            self._process.wait()

    @property
    def _config(self) -> Path:
        return self.data / "server.conf"

    @property
    def _pid_file(self) -> Path:
        return self.data / "server.pid"

    def clear_leftovers(self) -> None:
        """Stop a server that a killed run left behind on these data; the caller holds the lock."""
        # It shows its port in its command line.
        if self._pid_file.is_file() and self._config.is_file():
            pid = self._pid_file.read_text().strip()
            port = re.search(r"^port (\d+)$", self._config.read_text(), re.MULTILINE)
            if port and pid.isdecimal() and f":{port[1]}" in processes.command_of(int(pid)):
                processes.stop_orphan(int(pid), how=signal.SIGTERM)
        self._pid_file.unlink(missing_ok=True)

    def _write_config(self) -> None:
        # In a file rather than in arguments, which everybody on the machine can read.
        saves = "60 1" if self.lasting else '""'
        self._config.unlink(missing_ok=True)
        self._config.touch(mode=0o600)
        self._config.write_text(
            f"bind {LOOPBACK}\n"
            f"port {self.port}\n"
            f"requirepass {self._secret}\n"
            f'dir "{self.data}"\n'
            f'pidfile "{self._pid_file}"\n'
            f"save {saves}\n"
            "appendonly no\n"
            "maxmemory-policy noeviction\n"
            "daemonize no\n"
        )
        self.identity.own(self._config)

    def _answers(self) -> bool:
        client = redis.Redis.from_url(self.url, socket_timeout=2, socket_connect_timeout=2)
        try:
            return bool(client.ping())
        except redis.ConnectionError:
            return False
        finally:
            client.close()
