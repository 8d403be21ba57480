"""Starting the whole service on one machine: servers, data, then all its processes."""

import os
import secrets
import signal
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

from honcho.environ import parse_procfile
from honcho.manager import Manager

from config.local.places import ADDRESSES, CREDENTIALS, PROJECT, RUN, STATE, say
from config.servers.choice import Addresses, servers
from config.servers.errors import ServerTrouble
from config.servers.folders import held
from config.servers.ports import LOOPBACK, first_free_port

DEMONSTRATION = "load_demo"


def run(*, port: int, demonstration: bool = True) -> int:
    """Start everything, serve until Ctrl-C, stop everything. Returns the exit code.

    Raises ServerTrouble with a sentence for the person.
    """
    RUN.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        stack.enter_context(
            held(
                STATE / "run.lock",
                problem="The service is running here already.",
                mend="Use that one, or stop it with Ctrl-C in its terminal.",
            )
        )
        say("Starting servers")
        addresses = stack.enter_context(servers(STATE, folder_name=RUN.name, lasting=True, say=say))
        # On the way out a second Ctrl-C must not leave a server behind.
        stack.callback(signal.signal, signal.SIGINT, signal.SIG_IGN)
        environment = _environment(addresses, port=first_free_port(port))
        _write_addresses(environment)
        stack.callback(ADDRESSES.unlink, missing_ok=True)
        _prepare_data(environment, demonstration=demonstration)
        code = _supervise(environment, asked_port=port)
        say("Stopping servers")
    say("Stopped. `make run` goes on with the same data, `make reset` forgets them.")
    return code


def _environment(addresses: Addresses, *, port: int) -> dict[str, str]:
    return {
        **os.environ,
        **addresses.as_environment(),
        "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}",
        "DJANGO_SETTINGS_MODULE": "config.settings.local",
        "HOST": LOOPBACK,
        "PORT": str(port),
        "FALLOW_STATE_DIR": str(STATE),
        "FALLOW_PUBLIC_URL": os.environ.get("FALLOW_PUBLIC_URL") or f"http://127.0.0.1:{port}",
        "PYTHONUNBUFFERED": "1",
        # In a container the visitor is root, and so is the worker; on their own machine that is so.
        "PYTHONWARNINGS": "ignore:You're running the worker with superuser privileges",
        "FALLOW_OUTBOX_DIR": str(RUN / "outbox"),
        "FALLOW_BEAT_STATE": str(RUN / "beat-schedule"),
        "FALLOW_CREDENTIALS_FILE": str(CREDENTIALS),
    }


def _write_addresses(environment: dict[str, str]) -> None:
    names = ("DATABASE_URL", "REDIS_URL", "FALLOW_OUTBOX_DIR", "FALLOW_CREDENTIALS_FILE")
    ADDRESSES.unlink(missing_ok=True)
    ADDRESSES.touch(mode=0o600)
    ADDRESSES.write_text("".join(f"export {name}='{environment[name]}'\n" for name in names))


def _prepare_data(environment: dict[str, str], *, demonstration: bool) -> None:
    say("Bringing the database up to date")
    _manage("migrate", "--no-input", "--verbosity", "0", environment=environment)
    if demonstration and any(PROJECT.glob(f"*/management/commands/{DEMONSTRATION}.py")):
        say("Loading the invented demonstration chain, unless it is there already")
        _manage(DEMONSTRATION, environment=environment)


def _of_web(environment: dict[str, str]) -> dict[str, str]:
    """With a login of its own for the web server, where the database server is ours."""
    if os.environ.get("DATABASE_URL"):
        return environment
    password = secrets.token_hex(16)
    secret = {"FALLOW_WEB_DATABASE_PASSWORD": password}
    _manage("web_login", "--verbosity", "0", environment={**environment, **secret})
    address = urlsplit(environment["DATABASE_URL"])
    place = address.netloc.rpartition("@")[2]
    own = address._replace(netloc=f"fallow_web:{password}@{place}").geturl()
    return {**environment, "DATABASE_URL": own}


def _manage(*arguments: str, environment: dict[str, str]) -> None:
    command = [sys.executable, "manage.py", *arguments]
    done = subprocess.run(command, check=False, cwd=PROJECT, env=environment)
    if done.returncode:
        raise ServerTrouble(
            f"manage.py {arguments[0]} failed; what it said stands above.",
            mend="If these data are of an older version, start with fresh ones: make reset.",
        )


def _supervise(environment: dict[str, str], *, asked_port: int) -> int:
    port = environment["PORT"]
    if int(port) != asked_port:
        say(f"Port {asked_port} is taken, so the service uses {port}.")
    say("Starting web server, worker and beat")
    manager = Manager()
    for name, command in parse_procfile((PROJECT / "Procfile").read_text()).processes.items():
        own = _of_web(environment) if name == "web" else environment
        manager.add_process(name, command, env=own, cwd=str(PROJECT))
    guide = subprocess.Popen([sys.executable, "-m", "config.local.guide"], env=environment)
    # A closed terminal stops all of it, as Ctrl-C does.
    signal.signal(signal.SIGHUP, lambda *_: os.kill(os.getpid(), signal.SIGTERM))
    try:
        manager.loop()
    finally:
        guide.terminate()
        guide.wait()
    stopped_by_person = {128 + signal.SIGINT, 128 + signal.SIGTERM}
    code = int(manager.returncode or 0)
    if code in stopped_by_person:
        return 0
    say(
        "One of the processes ended by itself (the first 'stopped' above says which), so the others"
        " were stopped too: without it the service would only look as if it worked."
    )
    return code
