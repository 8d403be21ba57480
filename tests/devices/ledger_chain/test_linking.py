"""The database itself links what is inserted, whoever inserts it and whatever they say."""

from datetime import UTC, datetime
from itertools import pairwise

import pytest
from django.db import connection

from devices.hashchain import FIRST, VERSION, Link, digest
from devices.models import PulseEntry
from devices.selectors.ledger_chain import COLUMNS
from tests.support.devices import make_fitted_handpiece, make_laser, make_pulse_entry
from tests.support.factories import now
from tests.support.ledger import entry_at, make_chain_of

pytestmark = pytest.mark.django_db

FORGED = """
    INSERT INTO devices_pulseentry (laser_id, handpiece_id, line_id, pulses, purpose, operator_id,
        fired_at, reason, source, entry_key, created_at, encoding, sequence, previous, digest)
    SELECT laser_id, handpiece_id, line_id, 7, purpose, operator_id, fired_at, '', '', 'raw',
        created_at, 9, 77, '\\x00', '\\x01' FROM devices_pulseentry LIMIT 1
"""

COPIED = """
    INSERT INTO devices_pulseentry (laser_id, handpiece_id, line_id, pulses, purpose, operator_id,
        fired_at, reason, source, entry_key, created_at, spot_mm, fluence_j_cm2, rate_hz, energy_j,
        total_energy_j, area_cm2, average_power_w)
    SELECT laser_id, handpiece_id, line_id, 7, purpose, operator_id, fired_at, '', source, 'raw',
        created_at, 3, 4, 5, 1 / 3::float8, 1 / 3::float8, 1, 1 FROM devices_pulseentry LIMIT 1
"""


def link_of(entry):
    row = PulseEntry.objects.values_list(*COLUMNS).get(pk=entry.pk)
    return Link._make(bytes(value) if isinstance(value, memoryview) else value for value in row)


def test_each_entry_carries_the_digest_of_the_one_before():
    laser = make_chain_of(4)
    links = [link_of(entry_at(laser, sequence)) for sequence in range(1, 5)]
    assert links[0].previous == FIRST
    for before, link in pairwise(links):
        assert link.previous == before.digest


def test_a_new_entry_knows_its_place_without_being_read_again():
    laser = make_laser()
    handpiece = make_fitted_handpiece(laser)
    make_pulse_entry(laser, handpiece, fired_at=now())
    entry = make_pulse_entry(laser, handpiece, fired_at=now())
    assert (entry.sequence, entry.encoding) == (2, VERSION)
    assert bytes(entry.digest) == link_of(entry).digest


def test_rows_of_one_statement_are_linked_one_after_the_other():
    laser, other = make_laser(), make_laser()
    pieces = {one: make_fitted_handpiece(one) for one in (laser, other)}
    template = {one: make_pulse_entry(one, pieces[one], fired_at=now()) for one in pieces}
    PulseEntry.objects.bulk_create(
        PulseEntry(
            laser=one,
            handpiece=pieces[one],
            line=template[one].line,
            pulses=number,
            purpose="test_fire",
            operator=template[one].operator,
            fired_at=now(),
            entry_key=f"bulk {number}",
        )
        for number in range(1, 6)
        for one in (laser, other)
    )
    for one in (laser, other):
        rows = PulseEntry.objects.filter(laser=one).order_by("sequence")
        assert [*rows.values_list("sequence", flat=True)] == [1, 2, 3, 4, 5, 6]


def test_raw_sql_cannot_choose_its_place_or_its_digest():
    laser = make_chain_of(2)
    with connection.cursor() as sql:
        sql.execute(FORGED)
    forged = entry_at(laser, 3)
    assert (forged.pulses, forged.encoding) == (7, VERSION)
    assert bytes(forged.digest) == digest(link_of(forged))


@pytest.mark.parametrize(
    "fields",
    [
        {},
        {"reason": "", "source": "session:Ä€𝄞", "entry_key": "ключ"},
        {"fired_at": datetime(1999, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)},
        {
            "fired_at": datetime(2026, 3, 2, 10, 0, tzinfo=UTC),
            "ended_at": datetime(2026, 3, 2, 10, 3, tzinfo=UTC),
            "spot_mm": 3.0,
            "fluence_j_cm2": 0.1 + 0.2,
            "rate_hz": 1e-3,
            "energy_j": 5e-324,
            "total_energy_j": 1.7976931348623157e308,
            "area_cm2": 1 / 3,
            "average_power_w": 2.5,
        },
    ],
)
def test_both_computations_of_a_digest_agree(fields):
    laser = make_laser()
    entry = make_pulse_entry(laser, make_fitted_handpiece(laser), **{"fired_at": now(), **fields})
    assert digest(link_of(entry)) == bytes(entry.digest)


@pytest.mark.parametrize(
    "setting",
    [
        "timezone = 'Asia/Kathmandu'",
        "extra_float_digits = -5",
        "client_encoding = 'LATIN1'",
        "bytea_output = 'escape'",
        "datestyle = 'German'",
    ],
)
def test_the_digest_does_not_depend_on_the_session_that_inserts(setting):
    laser = make_laser()
    handpiece = make_fitted_handpiece(laser)
    template = make_pulse_entry(laser, handpiece, fired_at=now(), source="Prüfung")
    with connection.cursor() as sql:
        sql.execute(f"SET LOCAL {setting}")
        sql.execute(COPIED)
        sql.execute("SELECT pulse_entry_digest(e) = digest FROM devices_pulseentry AS e")
        assert sql.fetchall() == [(True,), (True,)]
        sql.execute(f"RESET {setting.split()[0]}")
    entry = entry_at(laser, template.sequence + 1)
    assert (entry.source, entry.energy_j) == ("Prüfung", 1 / 3)
    assert digest(link_of(entry)) == bytes(entry.digest)
