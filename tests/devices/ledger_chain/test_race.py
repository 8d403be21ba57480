"""Two writers at the ledger of one laser keep one chain, also when they lock nothing themselves."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.db import IntegrityError, connection, transaction

from core.db import constraint_name
from devices.models import PulseEntry
from devices.selectors.ledger_chain import verify_chains
from tests.support.factories import number
from tests.support.ledger import make_chain_of
from tests.support.threads import at_once

pytestmark = pytest.mark.django_db(transaction=True)

ROUNDS = 15
RAW = """
    INSERT INTO devices_pulseentry (laser_id, handpiece_id, line_id, pulses, purpose, operator_id,
        fired_at, reason, source, entry_key, created_at)
    SELECT laser_id, handpiece_id, line_id, 7, purpose, operator_id, fired_at, '', '', %s,
        created_at FROM devices_pulseentry WHERE laser_id = %s LIMIT 1
"""


def raw_insert(laser):
    """In SQL, with no lock taken beforehand; what it gives is the constraint that said no."""

    def insert():
        try:
            with transaction.atomic(), connection.cursor() as sql:
                sql.execute(RAW, [f"raw {number()}", laser.pk])
        except IntegrityError as error:
            return constraint_name(error)
        return "written"

    return insert


@contextmanager
def without_the_lock() -> Iterator[None]:
    """The trigger takes no lock, and both writers have read the last entry before either writes."""
    with connection.cursor() as sql:
        sql.execute("SELECT pg_get_functiondef('link_pulse_entry'::regproc)")
        [whole] = sql.fetchone()
        lock = "PERFORM 1 FROM devices_laser WHERE id = NEW.laser_id FOR NO KEY UPDATE;"
        assert lock in whole
        slow = whole.replace(lock, "").replace("NEW.encoding := 1;", "PERFORM pg_sleep(0.4);")
        sql.execute(
            slow.replace("PERFORM pg_sleep(0.4);", "PERFORM pg_sleep(0.4); NEW.encoding := 1;")
        )
        try:
            yield
        finally:
            sql.execute(whole)


def test_raw_writers_at_once_keep_one_chain():
    laser = make_chain_of(1)
    for _ in range(ROUNDS):
        assert at_once(*[raw_insert(laser)] * 3) == ["written"] * 3
    assert PulseEntry.objects.count() == 1 + 3 * ROUNDS
    [seen] = verify_chains([laser.pk])
    assert (seen.entries, seen.first_break) == (1 + 3 * ROUNDS, None)


def test_control_without_the_lock_both_want_the_same_place():
    laser = make_chain_of(1)
    with without_the_lock():
        outcomes = at_once(raw_insert(laser), raw_insert(laser))
    assert sorted(outcomes) == ["pulseentry_chain_once", "written"]
    [seen] = verify_chains([laser.pk])
    assert (seen.entries, seen.first_break) == (2, None)


def test_writers_of_two_lasers_do_not_wait_for_one_another():
    lasers = [make_chain_of(1), make_chain_of(1)]
    with transaction.atomic():
        raw_insert(lasers[0])()
        assert at_once(raw_insert(lasers[1])) == ["written"]
