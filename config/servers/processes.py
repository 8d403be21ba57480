"""Starting and stopping one server process."""

import os
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from config.servers.errors import ServerTrouble
from config.servers.identity import Identity

# A server reads nothing of our environment but these.
PASSED_ON = ("PATH", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "TZDIR")
START_SECONDS = 60.0
STOP_SECONDS = 30.0


def server_environment() -> dict[str, str]:
    """The little of our environment that servers get."""
    kept = {name: os.environ[name] for name in PASSED_ON if name in os.environ}
    return {**kept, "LC_ALL": "C", "TZ": "UTC"}


def run(command: Sequence[str], *, folder: Path, identity: Identity) -> str:
    """Run a program to its end in `folder` and return what it printed.

    Raises subprocess.CalledProcessError when it fails.
    """
    done = subprocess.run(
        command,
        check=True,
        cwd=folder,
        env=server_environment(),
        user=identity.uid,
        group=identity.gid,
        extra_groups=_no_extra_groups(identity),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    return done.stdout


@dataclass(frozen=True, slots=True)
class Watch:
    """How to see that a server serves, how to end it, and what to tell a person otherwise."""

    name: str
    ready: Callable[[], bool]
    stop_with: signal.Signals
    mend: str


def start(
    command: Sequence[str], *, folder: Path, identity: Identity, log: Path, watch: Watch
) -> subprocess.Popen[bytes]:
    """Start a server and wait until it serves.

    It gets a session of its own, so that Ctrl-C reaches it only through us. Raises ServerTrouble,
    with the last line of its log, when it ends or stays silent.
    """
    with log.open("wb") as output:
        process = subprocess.Popen(
            command,
            cwd=folder,
            env=server_environment(),
            user=identity.uid,
            group=identity.gid,
            extra_groups=_no_extra_groups(identity),
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        _wait_until_ready(process, watch=watch, log=log)
    except BaseException:
        stop(process, how=watch.stop_with)
        raise
    return process


def _wait_until_ready(process: subprocess.Popen[bytes], *, watch: Watch, log: Path) -> None:
    give_up = time.monotonic() + START_SECONDS
    while not watch.ready():
        if process.poll() is not None:
            raise ServerTrouble(
                f"{watch.name} ended at once: {last_line(log)} (all of it: {log})",
                mend=watch.mend,
            )
        if time.monotonic() > give_up:
            raise ServerTrouble(
                f"{watch.name} did not answer within {START_SECONDS:.0f} s: {last_line(log)}",
                mend=f"The whole story is in {log}.",
            )
        time.sleep(0.05)


def _no_extra_groups(identity: Identity) -> list[int] | None:
    return None if identity.uid is None else []


def stop(process: subprocess.Popen[bytes], *, how: signal.Signals) -> None:
    """Ask the server to stop in its own way, and end it when it does not in time."""
    if process.poll() is not None:
        return
    process.send_signal(how)
    try:
        process.wait(STOP_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def stop_orphan(pid: int, *, how: signal.Signals) -> None:
    """Stop a server that a killed run left behind, and wait until it is gone."""
    give_up = time.monotonic() + STOP_SECONDS
    with suppress(ProcessLookupError):
        os.kill(pid, how)
        while command_of(pid):
            if time.monotonic() > give_up:
                os.kill(pid, signal.SIGKILL)
                return
            time.sleep(0.1)


def command_of(pid: int) -> str:
    """Command line of a running process; empty when there is none."""
    if Path("/proc/self").exists():
        with suppress(OSError):
            return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode().strip()
        return ""
    done = subprocess.run(
        ["ps", "-o", "command=", "-p", str(pid)], check=False, capture_output=True, text=True
    )
    return done.stdout.strip()


def last_line(log: Path) -> str:
    """The last line of a log that says something."""
    lines = log.read_text(errors="replace").split("\n") if log.exists() else []
    return next((line.strip() for line in reversed(lines) if line.strip()), "it said nothing.")
