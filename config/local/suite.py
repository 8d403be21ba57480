"""Running the test suite on servers of its own, gone when it ends."""

import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from config.local.places import PROJECT, STATE, say
from config.servers.choice import forget, servers
from config.servers.errors import ServerTrouble
from config.servers.folders import held

OURS = "test-"


def suite(arguments: Sequence[str]) -> int:
    """Run pytest with these arguments and return its exit code.

    Each run has its own data folder, so that several can go on at once. Raises ServerTrouble
    with a sentence for the person.
    """
    STATE.mkdir(parents=True, exist_ok=True)
    _sweep()
    name = f"{OURS}{os.getpid()}"
    with ExitStack() as stack:
        stack.enter_context(held(_lock(name), problem="This run goes on already.", mend="Wait."))
        stack.callback(_lock(name).unlink, missing_ok=True)
        stack.callback(forget, STATE, name=name)
        say("Starting servers for the tests")
        addresses = stack.enter_context(servers(STATE, folder_name=name, lasting=False, say=say))
        environment = {
            **os.environ,
            **addresses.as_environment(),
            "DJANGO_SETTINGS_MODULE": "config.settings.test",
        }
        return _pytest(arguments, environment=environment)


def _pytest(arguments: Sequence[str], *, environment: dict[str, str]) -> int:
    # Ctrl-C reaches pytest by itself, which then closes in good order; we wait for it.
    before = signal.signal(signal.SIGINT, lambda *_: None)
    child = subprocess.Popen(
        [sys.executable, "-m", "pytest", *_shared_out(arguments), *arguments],
        cwd=PROJECT,
        env=environment,
    )
    try:
        return child.wait()
    except KeyboardInterrupt:
        child.send_signal(signal.SIGINT)
        return child.wait()
    finally:
        signal.signal(signal.SIGINT, before)


def _shared_out(arguments: Sequence[str]) -> list[str]:
    """One worker for each processor, each with a database of its own, unless asked otherwise."""
    if any(given.startswith(("-n", "--numprocesses", "--pdb")) for given in arguments):
        return []
    return ["-n", str(min(4, os.cpu_count() or 1)), "--dist", "loadfile"]


def _lock(name: str) -> Path:
    return STATE / f"{name}.lock"


def _sweep() -> None:
    # A killed run leaves its folder behind; the system has let go of its lock.
    for lock in STATE.glob(f"{OURS}*.lock"):
        try:
            with held(lock, problem="In use.", mend=""):
                forget(STATE, name=lock.stem)
                lock.unlink()
        except ServerTrouble:
            continue
