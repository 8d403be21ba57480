"""Two ticks at once, and a failed check beside a booking: exact outcomes, with controls."""

from datetime import timedelta
from threading import Barrier

import pytest

from clinics.vocabulary import Role
from core.errors import DomainError
from devices import locks
from devices.models import Laser, LockOut
from devices.services import lock_outs, service
from devices.services.checks import energy_check_record
from devices.services.service import services_tick
from tests.support.devices import make_fitted_handpiece, make_laser
from tests.support.factories import make_actor, make_clinic, now
from tests.support.threads import at_once
from tests.support.upkeep import make_meter, make_plan

pytestmark = pytest.mark.django_db(transaction=True)

DAY = timedelta(days=1)


def overdue_laser():
    laser = make_laser(make_clinic())
    make_plan(laser, last_done_at=now() - 400 * DAY)
    return laser


def tick():
    return services_tick(now=now())


def test_two_ticks_at_once_place_one_lock_out():
    for turn in range(1, 7):
        overdue_laser()
        outcomes = at_once(tick, tick)
        assert all(isinstance(one, dict) for one in outcomes), outcomes
        assert sum(one["locked_out"] for one in outcomes) == 1
        assert sum(one["warned"] for one in outcomes) == 1
        assert LockOut.objects.count() == turn


def test_control_without_the_locks_both_place_one_and_the_constraint_refuses(monkeypatch):
    both = Barrier(2, timeout=20)
    save = LockOut.save

    def save_together(*args, **kwargs):
        both.wait()
        save(*args, **kwargs)

    def unlocked(*, pk, actor):
        return Laser.objects.get(pk=pk)

    def never(standing):
        return False

    overdue_laser()
    with monkeypatch.context() as patch:
        patch.setattr(locks, "lock_laser", unlocked)
        patch.setattr(locks, "lock_service_plans", id)
        patch.setattr(service, "_is_near", never)
        patch.setattr(lock_outs, "lock_resources", set)
        patch.setattr(LockOut, "save", save_together)
        outcomes = at_once(tick, tick)
    assert outcomes.count("lock_out_overlaps") == 1
    assert LockOut.objects.count() == 1


def test_two_failed_checks_at_once_place_one_lock_out():
    laser = make_laser(make_clinic())
    tip = make_fitted_handpiece(laser)
    line = laser.laser_model.lines.first()
    actor = make_actor(Role.LASER_OPERATOR, clinic=laser.clinic)
    meter = make_meter(laser.chain)

    def fail():
        at = now()
        return energy_check_record(
            laser_id=laser.pk,
            fields={
                "line": line,
                "handpiece": tip,
                "meter": meter,
                "checked_at": at,
                "set_energy_j": 0.5,
                "readings_j": [0.3] * 3,
                "spot_mm": 3.0,
                "spot_measured_mm": None,
                "note": "",
            },
            actor=actor,
            now=at,
        )

    outcomes = at_once(fail, fail)
    assert not any(isinstance(one, DomainError | str) for one in outcomes), outcomes
    assert LockOut.objects.count() == 1
