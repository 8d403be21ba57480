"""A laser with a few entries in its ledger, and hands that can do what the service cannot."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from django.db import connection

from devices.models import Laser, PulseEntry
from tests.support.devices import make_fitted_handpiece, make_laser, make_pulse_entry
from tests.support.factories import instant

FIRST_SHOT = instant("2026-03-02T09:00Z")


def make_chain_of(entries: int, *, laser: Laser | None = None) -> Laser:
    """A laser that has fired so many times, a minute apart."""
    laser = laser or make_laser()
    handpiece = make_fitted_handpiece(laser)
    for number in range(entries):
        make_pulse_entry(
            laser,
            handpiece,
            pulses=100 + number,
            fired_at=FIRST_SHOT + timedelta(minutes=number),
            source=f"session:{number}",
        )
    return laser


@contextmanager
def without_triggers() -> Iterator[Any]:
    """A cursor of the tables' owner, who has switched their triggers off."""
    connection.check_constraints()
    with connection.cursor() as sql:
        sql.execute("ALTER TABLE devices_pulseentry DISABLE TRIGGER USER")
        sql.execute("ALTER TABLE devices_ledgerhead DISABLE TRIGGER USER")
        yield sql
        connection.check_constraints()
        sql.execute("ALTER TABLE devices_ledgerhead ENABLE TRIGGER USER")
        sql.execute("ALTER TABLE devices_pulseentry ENABLE TRIGGER USER")


def entry_at(laser: Laser, sequence: int) -> PulseEntry:
    """The entry at a place of the laser's chain."""
    return PulseEntry.objects.get(laser=laser, sequence=sequence)
