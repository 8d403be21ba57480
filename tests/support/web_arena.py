"""A clinic that many callers fight over, made in the database of the service under test.

Run as a program (python -m tests.support.web_arena '{"units": 3, ...}') where DATABASE_URL points
to that database; prints what clients need to know as JSON.
"""

import json
import os
import subprocess
import sys
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta

import django

from tests.support.programs import PROJECT

OPENS_AT = 9
MINUTES = 30


@dataclass(frozen=True, slots=True)
class Size:
    """`units` of rooms, operators and lasers with a handpiece; callers; courses; days from
    tomorrow on that have shifts."""

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
    """Bring the database up to date and build the arena in it."""
    run = {"check": True, "cwd": PROJECT, "env": environment, "capture_output": True, "text": True}
    migrate = [sys.executable, "manage.py", "migrate", "--no-input", "-v0"]
    subprocess.run(migrate, **run)
    order = json.dumps(asdict(size))
    done = subprocess.run([sys.executable, "-m", "tests.support.web_arena", order], **run)
    return WebArena(**json.loads(done.stdout))


def build(size: Size) -> WebArena:
    """Build it with the builders of the other tests, from tomorrow on."""
    from knox.models import AuthToken

    from clinics.vocabulary import Role
    from core.spans import Span
    from tests.support import booking, factories

    clinic = factories.make_clinic(country="", chain=factories.make_chain(holds_per_caller=20))
    factories.make_opening_week(clinic)
    midnight = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    days = [midnight + timedelta(days=1 + day) for day in range(size.days)]
    rooms = [factories.make_room(clinic).pk for _ in range(size.units)]
    operators, devices, tokens = [], [], []
    for _ in range(size.units):
        operator = factories.make_staff(clinic.chain)
        factories.make_credential(operator)
        for day in days:
            first = day + timedelta(hours=OPENS_AT - 1)
            factories.make_shift(operator, clinic, Span(first, first + timedelta(hours=10)))
        operators.append(operator.pk)
        laser = booking.make_laser(clinic)
        devices.append((laser.pk, booking.fit_handpiece(laser).pk))
    for _ in range(size.callers):
        staff = factories.make_staff(clinic.chain, user=True)
        factories.make_membership(staff, Role.FRONT_DESK, clinic=clinic)
        tokens.append(AuthToken.objects.create(staff.user)[1])
    courses = [booking.make_running_course(clinic).pk for _ in range(size.courses)]
    starts = [
        (day + timedelta(hours=OPENS_AT, minutes=15 * quarter)).isoformat()
        for day in days
        for quarter in range(4 * 8 - 2)
    ]
    return WebArena(clinic.pk, rooms, operators, devices, courses, tokens, starts)


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
    django.setup()
    from django.db import transaction

    with transaction.atomic():
        made = build(Size(**json.loads(sys.argv[1])))
    sys.stdout.write(json.dumps(asdict(made)))
