"""Builds the arena inside a process of the service: see `web_arena`."""

import json
import os
import sys
from dataclasses import asdict
from datetime import UTC, datetime, timedelta

from django.db import transaction

from clinics.models import AccessToken, Clinic
from clinics.vocabulary import Role
from core.spans import Span
from tests.support.booking import fit_handpiece, make_laser, make_running_course
from tests.support.factories import (
    make_chain,
    make_clinic,
    make_credential,
    make_membership,
    make_opening_week,
    make_room,
    make_shift,
    make_staff,
)
from tests.support.web_arena import Size, WebArena

OPENS_AT = 9
QUARTERS = 4 * 8 - 2


def main() -> None:
    """Print the arena of the size that the environment asks for."""
    with transaction.atomic():
        arena = build(Size(**json.loads(os.environ["ARENA"])))
    sys.stdout.write(json.dumps(asdict(arena)))


def build(size: Size) -> WebArena:
    """A clinic with everything a visit needs, from tomorrow on."""
    clinic = make_clinic(country="", chain=make_chain(holds_per_caller=20))
    make_opening_week(clinic)
    today = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    days = [today + timedelta(days=day) for day in range(1, size.days + 1)]
    return WebArena(
        clinic=clinic.pk,
        rooms=[make_room(clinic).pk for _ in range(size.units)],
        operators=[_operator(clinic, days) for _ in range(size.units)],
        devices=[_device(clinic) for _ in range(size.units)],
        courses=[make_running_course(clinic).pk for _ in range(size.courses)],
        tokens=[_token(clinic) for _ in range(size.callers)],
        starts=[
            (day + timedelta(hours=OPENS_AT, minutes=15 * quarter)).isoformat()
            for day in days
            for quarter in range(QUARTERS)
        ],
    )


def _operator(clinic: Clinic, days: list[datetime]) -> int:
    operator = make_staff(clinic.chain)
    make_credential(operator)
    for day in days:
        first = day + timedelta(hours=OPENS_AT)
        make_shift(operator, clinic, Span(first, first + timedelta(hours=8)))
    return operator.pk


def _device(clinic: Clinic) -> tuple[int, int]:
    laser = make_laser(clinic)
    return laser.pk, fit_handpiece(laser).pk


def _token(clinic: Clinic) -> str:
    staff = make_staff(clinic.chain, user=True)
    make_membership(staff, Role.FRONT_DESK, clinic=clinic)
    return AccessToken.objects.create(staff.user)[1]
