"""The database itself refuses to change the ledger, in raw SQL as the role the service uses."""

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction

from core.db import constraint_name, sqlstate
from devices.models import PulseEntry
from devices.vocabulary import PulsePurpose
from tests.support.devices import (
    make_correction,
    make_fitted_handpiece,
    make_laser,
    make_pulse_entry,
)
from tests.support.factories import now

pytestmark = pytest.mark.django_db

RESTRICT_VIOLATION = "23001"
MERGE = """
    MERGE INTO devices_pulseentry AS e USING devices_laser AS l ON e.laser_id = l.id
    WHEN MATCHED THEN DELETE
"""
UPSERT = """
    INSERT INTO devices_pulseentry SELECT * FROM devices_pulseentry
    ON CONFLICT (id) DO UPDATE SET pulses = 1
"""


@pytest.fixture
def entry():
    laser = make_laser()
    written = make_pulse_entry(laser, make_fitted_handpiece(laser), pulses=100, fired_at=now())
    # Checks that wait for the commit would keep a TRUNCATE of the same transaction off for them.
    connection.check_constraints()
    return written


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE devices_pulseentry SET pulses = 1",
        "UPDATE devices_pulseentry SET reason = reason",
        "DELETE FROM devices_pulseentry",
        "TRUNCATE devices_pulseentry CASCADE",
        "TRUNCATE devices_laser CASCADE",
        MERGE,
        UPSERT,
    ],
)
def test_refuses_every_change(entry, statement):
    with pytest.raises(DatabaseError) as caught, transaction.atomic(), connection.cursor() as sql:
        sql.execute(statement)
    assert sqlstate(caught.value) == RESTRICT_VIOLATION
    assert "only grows" in str(caught.value)
    assert list(PulseEntry.objects.values_list("pk", "pulses")) == [(entry.pk, 100)]


def test_the_orm_is_refused_too(entry):
    entry.pulses = 1
    for change in (entry.save, entry.delete, PulseEntry.objects.all().delete):
        with pytest.raises(IntegrityError), transaction.atomic():
            change()
    assert PulseEntry.objects.get().pulses == 100


@pytest.mark.parametrize(
    ("fields", "constraint"),
    [
        ({"pulses": 0}, "pulseentry_only_corrections_are_signed"),
        ({"pulses": -5}, "pulseentry_only_corrections_are_signed"),
        ({"pulses": 5, "purpose": "correction"}, "pulseentry_only_corrections_are_signed"),
        ({"pulses": 5, "purpose": "fun"}, "pulseentry_purpose_known"),
    ],
)
def test_refuses_rows_that_are_no_entry(entry, fields, constraint):
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        make_pulse_entry(entry.laser, entry.handpiece, fired_at=now(), **fields)
    assert constraint_name(caught.value) == constraint


@pytest.mark.parametrize(
    "fields", [{"pulses": 0}, {"reason": ""}, {"purpose": PulsePurpose.TREATMENT}]
)
def test_refuses_corrections_without_a_sign_a_reason_or_their_name(entry, fields):
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        make_correction(entry, **{"pulses": -1, **fields})
    assert constraint_name(caught.value) == "pulseentry_only_corrections_are_signed"


def test_refuses_a_key_twice_for_one_laser(entry):
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        make_pulse_entry(entry.laser, entry.handpiece, fired_at=now(), entry_key=entry.entry_key)
    assert constraint_name(caught.value) == "pulseentry_key_once"
