"""Two lock-outs of one laser placed at once: exactly one holds. With the control."""

from datetime import timedelta
from threading import Barrier

import pytest

from clinics.vocabulary import Role
from devices import locks
from devices.models import Laser, LockOut
from devices.services import lock_outs
from devices.vocabulary import LockOutReason
from tests.support.devices import make_laser
from tests.support.factories import instant, make_actor
from tests.support.threads import at_once

pytestmark = pytest.mark.django_db(transaction=True)

NOW = instant("2026-03-02T08:00Z")
REFUSED = "lock_out_overlaps"


def place_two_at_once(laser):
    actor = make_actor(Role.LASER_OPERATOR, clinic=laser.clinic)

    def place(start):
        return lambda: lock_outs.lock_out_place(
            laser_id=laser.pk,
            reason=LockOutReason.FAULT,
            note="",
            start=start,
            end=None,
            actor=actor,
            now=NOW,
        )

    return at_once(place(NOW), place(NOW + timedelta(hours=1)))


def test_exactly_one_of_two_that_overlap_is_placed():
    for turn in range(1, 11):
        outcomes = place_two_at_once(make_laser())
        assert outcomes.count(REFUSED) == 1
        assert LockOut.objects.count() == turn


def test_control_without_the_locks_the_constraint_has_the_last_word(monkeypatch):
    have_looked = Barrier(2, timeout=20)

    save = LockOut.save

    def save_together(*args, **kwargs):
        have_looked.wait()
        save(*args, **kwargs)

    def unlocked(*, pk, actor):
        return Laser.objects.get(pk=pk)

    laser = make_laser()
    with monkeypatch.context() as patch:
        patch.setattr(locks, "lock_laser", unlocked)
        patch.setattr(lock_outs, "lock_resources", set)
        patch.setattr(LockOut, "save", save_together)
        outcomes = place_two_at_once(laser)
    assert outcomes.count(REFUSED) == 1
    assert LockOut.objects.count() == 1
