"""What somebody with the tables' owner's rights does to the ledger is found, and named."""

import pytest
from django.db import connection

from devices.hashchain import Head
from devices.models import LedgerHead
from devices.selectors.ledger_chain import head_of, verify_chains, walk_chain
from devices.services.ledger_heads import ledger_heads_note
from devices.vocabulary import LedgerBreak
from tests.support.factories import now
from tests.support.ledger import entry_at, make_chain_of, without_triggers

pytestmark = pytest.mark.django_db

RECOMPUTE = "UPDATE devices_pulseentry AS e SET digest = pulse_entry_digest(e) WHERE "
REBUILD = """
DO $$
DECLARE
    entry devices_pulseentry;
    before bytea := decode(repeat('00', 32), 'hex');
    place bigint := 0;
BEGIN
    FOR entry IN SELECT * FROM devices_pulseentry ORDER BY sequence LOOP
        place := place + 1;
        entry.sequence := place;
        entry.previous := before;
        entry.digest := pulse_entry_digest(entry);
        UPDATE devices_pulseentry SET sequence = entry.sequence, previous = entry.previous,
            digest = entry.digest WHERE id = entry.id;
        before := entry.digest;
    END LOOP;
END $$
"""


def broken(laser, *, noted=()):
    """The first break, found both ways."""
    [quick] = verify_chains([laser.pk], noted={laser.pk: noted})
    slow = walk_chain(laser.pk, noted=noted)
    assert quick == slow
    return quick.first_break


def place(found):
    return found and (found.sequence, found.kind)


@pytest.fixture
def laser():
    make_chain_of(3)
    return make_chain_of(8)


def test_an_untouched_chain_holds(laser):
    assert broken(laser) is None
    [seen] = verify_chains([laser.pk])
    assert (seen.entries, seen.head) == (8, head_of(laser.pk))


def test_a_laser_that_never_fired_holds():
    laser = make_chain_of(0)
    assert broken(laser) is None
    assert head_of(laser.pk) is None


CHANGES = [
    "pulses = pulses - 1",
    "operator_id = operator_id - 1",
    "fired_at = fired_at + interval '1 microsecond'",
    "created_at = created_at - interval '1 day'",
    "source = 'session:99'",
    "entry_key = 'other'",
    "reason = 'because'",
    (
        "spot_mm = 3, fluence_j_cm2 = 4, rate_hz = 5, energy_j = 1, total_energy_j = 1,"
        " area_cm2 = 1, average_power_w = 1"
    ),
    "ended_at = fired_at",
    "previous = digest",
    "digest = previous",
    "encoding = 2",
    "encoding = 0",
]


@pytest.mark.parametrize("change", CHANGES)
def test_changed_content_is_named(laser, change):
    entry = entry_at(laser, 5)
    with without_triggers() as sql:
        sql.execute(f"UPDATE devices_pulseentry SET {change} WHERE id = %s", [entry.pk])
    found = broken(laser)
    assert place(found) == (5, LedgerBreak.CONTENT_CHANGED)
    assert found.entry == entry.pk


@pytest.mark.parametrize("sequence", [1, 2, 8])
def test_any_place_is_looked_at(laser, sequence):
    with without_triggers() as sql:
        sql.execute(
            "UPDATE devices_pulseentry SET pulses = 1 WHERE laser_id = %s AND sequence = %s",
            [laser.pk, sequence],
        )
    assert place(broken(laser)) == (sequence, LedgerBreak.CONTENT_CHANGED)


@pytest.mark.parametrize("sequence", [1, 4])
def test_a_missing_entry_is_named(laser, sequence):
    with without_triggers() as sql:
        sql.execute(
            "DELETE FROM devices_pulseentry WHERE laser_id = %s AND sequence = %s",
            [laser.pk, sequence],
        )
    found = broken(laser)
    assert (place(found), found.entry) == ((sequence, LedgerBreak.ENTRY_MISSING), None)


def test_a_changed_entry_with_a_fitting_digest_breaks_the_next_one(laser):
    entry = entry_at(laser, 5)
    with without_triggers() as sql:
        sql.execute("UPDATE devices_pulseentry SET pulses = 1 WHERE id = %s", [entry.pk])
        sql.execute(RECOMPUTE + "id = %s", [entry.pk])
    found = broken(laser)
    assert place(found) == (6, LedgerBreak.PREVIOUS_DIFFERS)
    assert found.expected != found.found


def test_an_entry_put_in_between_is_named(laser):
    with without_triggers() as sql:
        sql.execute("ALTER TABLE devices_pulseentry DROP CONSTRAINT pulseentry_chain_once")
        sql.execute(
            "INSERT INTO devices_pulseentry (laser_id, handpiece_id, line_id, pulses, purpose,"
            " operator_id, fired_at, reason, source, entry_key, created_at, encoding, sequence,"
            " previous, digest) SELECT laser_id, handpiece_id, line_id, 5, purpose, operator_id,"
            " fired_at, '', '', 'extra', created_at, 1, sequence, previous, '' FROM"
            " devices_pulseentry WHERE laser_id = %s AND sequence = 8",
            [laser.pk],
        )
        sql.execute(RECOMPUTE + "entry_key = 'extra'")
    [seen] = verify_chains([laser.pk])
    assert seen.first_break.kind == LedgerBreak.ENTRY_ADDED


def test_a_tail_that_was_cut_off_is_missed_by_a_head_from_elsewhere(laser):
    printed = head_of(laser.pk)
    with without_triggers() as sql:
        sql.execute(
            "DELETE FROM devices_pulseentry WHERE laser_id = %s AND sequence > 6", [laser.pk]
        )
    assert broken(laser) is None
    assert place(broken(laser, noted=[printed])) == (7, LedgerBreak.TAIL_MISSING)


def test_a_tail_that_was_cut_off_is_missed_by_the_nightly_note(laser):
    assert ledger_heads_note(now=now()) == 2
    assert ledger_heads_note(now=now()) == 0
    with without_triggers() as sql:
        sql.execute(
            "DELETE FROM devices_pulseentry WHERE laser_id = %s AND sequence = 8", [laser.pk]
        )
    assert place(broken(laser)) == (8, LedgerBreak.TAIL_MISSING)


def test_a_whole_ledger_that_is_gone_is_missed(laser):
    ledger_heads_note(now=now())
    with without_triggers() as sql:
        sql.execute("DELETE FROM devices_pulseentry WHERE laser_id = %s", [laser.pk])
    assert place(broken(laser)) == (1, LedgerBreak.TAIL_MISSING)


def test_a_chain_written_anew_is_found_by_a_note_alone():
    laser = make_chain_of(8)
    middle = entry_at(laser, 6)
    noted = Head(6, bytes(middle.digest))
    with without_triggers() as sql:
        sql.execute("UPDATE devices_pulseentry SET pulses = 1 WHERE sequence = 3")
        sql.execute(REBUILD)
    assert broken(laser) is None
    assert place(broken(laser, noted=[noted])) == (6, LedgerBreak.HEAD_DIFFERS)
    LedgerHead.objects.create(laser=laser, sequence=6, digest=noted.digest, noted_at=now())
    assert place(broken(laser)) == (6, LedgerBreak.HEAD_DIFFERS)


def test_the_first_of_several_breaks_is_named(laser):
    with without_triggers() as sql:
        sql.execute(
            "UPDATE devices_pulseentry SET pulses = 1 WHERE laser_id = %s AND sequence IN (3, 7)",
            [laser.pk],
        )
        sql.execute(
            "DELETE FROM devices_pulseentry WHERE laser_id = %s AND sequence = 5", [laser.pk]
        )
    assert place(broken(laser)) == (3, LedgerBreak.CONTENT_CHANGED)


def test_a_replaced_function_of_the_database_does_not_hide_a_change(laser):
    with without_triggers() as sql:
        sql.execute("UPDATE devices_pulseentry SET pulses = 1 WHERE laser_id = %s", [laser.pk])
        sql.execute(
            "CREATE OR REPLACE FUNCTION pulse_entry_digest(entry devices_pulseentry) RETURNS bytea"
            " LANGUAGE sql STABLE AS 'SELECT (entry).digest'"
        )
    assert place(broken(laser)) == (1, LedgerBreak.CONTENT_CHANGED)


def test_as_many_queries_for_many_lasers_as_for_one(django_assert_num_queries):
    lasers = [make_chain_of(2).pk for _ in range(3)]
    for asked in (lasers[:1], lasers):
        with django_assert_num_queries(3):
            verify_chains(asked)


def test_the_ledger_of_one_laser_does_not_touch_another(laser):
    other = make_chain_of(3)
    with without_triggers() as sql:
        sql.execute("UPDATE devices_pulseentry SET pulses = 1 WHERE laser_id = %s", [laser.pk])
    assert broken(other) is None
    seen = {one.laser_id: one.first_break is None for one in verify_chains([laser.pk, other.pk])}
    assert seen == {laser.pk: False, other.pk: True}
    assert connection.in_atomic_block
