"""A clinic that many callers fight over, made in the database of the service under test."""

import json
import subprocess
import sys
from dataclasses import asdict, dataclass

from tests.support.programs import PROJECT

BUILD = "from tests.support.web_arena_builder import main; main()"


@dataclass(frozen=True, slots=True)
class Size:
    """`units` of rooms, operators and lasers with a handpiece; callers; courses; days from
    tomorrow on."""

    units: int = 3
    callers: int = 8
    courses: int = 60
    days: int = 2


@dataclass(frozen=True, slots=True)
class WebArena:
    """What a client knows: keys, tokens and the starts that everybody wants (ISO 8601)."""

    clinic: int
    rooms: list[int]
    operators: list[int]
    devices: list[tuple[int, int]]
    courses: list[int]
    tokens: list[str]
    starts: list[str]


def make_web_arena(size: Size, *, environment: dict[str, str]) -> WebArena:
    """Bring the database of that environment up to date and build the arena in it."""
    manage("migrate", "--no-input", "-v0", environment=environment)
    # The settings of tests do not spend a second on each password.
    quick = {**environment, "DJANGO_SETTINGS_MODULE": "config.settings.test"}
    told = manage("shell", "-v0", "-c", BUILD, environment=quick, order=json.dumps(asdict(size)))
    return WebArena(**json.loads(told))


def occupancy_is_kept(*, environment: dict[str, str]) -> bool:
    """What the service's own command says about the occupancy."""
    try:
        manage("check_occupancy", "--report", environment=environment)
    except RuntimeError:
        return False
    return True


def manage(*arguments: str, environment: dict[str, str], order: str = "") -> str:
    """Run `manage.py`; what it printed. `order` is what a builder reads. Raises RuntimeError."""
    done = subprocess.run(
        [sys.executable, "manage.py", *arguments],
        check=False,
        cwd=PROJECT,
        env={**environment, "ARENA": order},
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise RuntimeError(f"manage.py {arguments[0]}: {done.stdout}{done.stderr}")
    return done.stdout
