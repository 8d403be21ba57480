"""A start-up check that failed stops the sessions of the day, until a later one passes."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from devices.models import DutyPolicy, StartUpCheck
from devices.selectors.start_up import start_up_findings
from devices.vocabulary import StartUpEffect
from tests.support.devices import make_laser
from tests.support.factories import make_actor, make_clinic, make_room, now

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


@pytest.fixture
def place():
    clinic = make_clinic()
    return make_laser(clinic), make_room(clinic)


def checked(laser, *, at, ok):
    actor = make_actor(Role.LASER_OPERATOR, clinic=laser.clinic)
    return StartUpCheck.objects.create(
        clinic=laser.clinic,
        laser=laser,
        day=now().date(),
        checked_at=at,
        checked_by_id=actor.staff_id,
        items=[{"code": "key", "ok": ok, "note": "" if ok else "stuck"}],
        passed=ok,
    )


def told(place, at):
    laser, room = place
    found = start_up_findings(laser=laser, room=room, day=now().date(), at=at)
    return {one.scope.value: (one.effect, bool(one.text)) for one in found}


def test_the_latest_before_the_session_counts(place):
    noon = now().replace(hour=12)
    assert told(place, noon) == {}
    checked(place[0], at=noon - 2 * HOUR, ok=False)
    assert told(place, noon) == {"laser": (StartUpEffect.REFUSE, True)}
    assert told(place, noon - 3 * HOUR) == {}
    checked(place[0], at=noon - HOUR, ok=True)
    assert told(place, noon) == {"laser": (StartUpEffect.REFUSE, False)}


def test_a_chain_may_ask_for_a_check_before_each_day(place):
    DutyPolicy.objects.create(chain=place[0].chain, at_missing=StartUpEffect.WARN)
    assert told(place, now()) == {
        "laser": (StartUpEffect.WARN, True),
        "room": (StartUpEffect.WARN, True),
    }
