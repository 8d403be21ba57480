"""Two threads at the ledger of one laser: a key writes one row, corrections never go below zero."""

from datetime import timedelta
from threading import Barrier

import pytest

from clinics.vocabulary import Role
from core.db import command
from devices import locks, selectors
from devices.models import Laser, PulseEntry
from devices.services import ledger
from devices.vocabulary import PulsePurpose
from tests.support.devices import make_fitted_handpiece, make_laser, make_pulse_entry
from tests.support.factories import instant, make_actor, make_staff, number
from tests.support.threads import at_once

pytestmark = pytest.mark.django_db(transaction=True)

NOW = instant("2026-03-02T08:00Z")
ROUNDS = 10


@pytest.fixture
def laser():
    return make_laser()


@pytest.fixture
def handpiece(laser):
    return make_fitted_handpiece(laser)


@pytest.fixture
def officer(laser):
    return make_actor(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)


def test_one_key_sent_twice_at_once_writes_one_row(laser, handpiece):
    line, operator = handpiece.lines.first(), make_staff(laser.chain)

    def append(key):
        return lambda: command(ledger.pulse_entry_append)(
            laser=laser,
            handpiece=handpiece,
            line=line,
            pulses=10,
            purpose=PulsePurpose.TREATMENT,
            operator_id=operator.pk,
            fired_at=NOW - timedelta(minutes=1),
            source="session:1",
            entry_key=key,
            now=NOW,
        )

    for turn in range(ROUNDS):
        first, second = at_once(append(f"turn {turn}"), append(f"turn {turn}"))
        assert first == second
    assert PulseEntry.objects.count() == ROUNDS


def correct_twice_at_once(entry, officer):
    def correct(key):
        return lambda: ledger.pulse_entry_correct(
            entry=entry, pulses=-60, reason="recount", entry_key=key, actor=officer
        )

    return at_once(correct(f"fix {number()}"), correct(f"fix {number()}"))


def test_two_corrections_at_once_never_take_more_than_there_is(laser, handpiece, officer):
    for _ in range(ROUNDS):
        entry = make_pulse_entry(laser, handpiece, pulses=100, fired_at=NOW)
        outcomes = correct_twice_at_once(entry, officer)
        assert outcomes.count("correction_too_large") == 1
        assert selectors.pulses_after_corrections(entry) == 40


def test_control_without_the_lock_corrections_go_below_zero(laser, handpiece, officer, monkeypatch):
    entry = make_pulse_entry(laser, handpiece, pulses=100, fired_at=NOW)
    have_read = Barrier(2, timeout=20)
    add_up = selectors.pulses_after_corrections

    def add_up_together(entry):
        left = add_up(entry)
        have_read.wait()
        return left

    def unlocked(*, pk, actor):
        return Laser.objects.get(pk=pk)

    with monkeypatch.context() as patch:
        patch.setattr(locks, "lock_laser", unlocked)
        patch.setattr(selectors, "pulses_after_corrections", add_up_together)
        correct_twice_at_once(entry, officer)
    assert selectors.pulses_after_corrections(entry) == -20
