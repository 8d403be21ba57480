"""Programs that tests start in processes of their own, and end."""

import os
import signal
import subprocess
from contextlib import suppress
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
Program = subprocess.Popen[bytes]


def start(command: tuple[str, ...], *, environment: dict[str, str], log: Path) -> Program:
    """A program in a session of its own."""
    with log.open("ab") as output:
        return subprocess.Popen(
            command,
            cwd=PROJECT,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )


def end(process: Program | None) -> None:
    """SIGKILL a process and all of its group."""
    if process is not None:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def children_of(pid: int) -> list[int]:
    """The processes that this one has started."""
    return [child for child, parent in processes() if parent == pid]


def processes() -> list[tuple[int, int]]:
    """Every process and its parent."""
    told = subprocess.run(
        ["ps", "-A", "-o", "pid=,ppid="], check=True, capture_output=True, text=True
    ).stdout
    return [(int(pid), int(parent)) for pid, parent in map(str.split, told.splitlines())]
