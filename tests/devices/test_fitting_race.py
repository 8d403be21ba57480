"""Two threads put one handpiece on two lasers at once: exactly one does. With the controls."""

from contextlib import contextmanager
from threading import Barrier

import pytest
from django.db import connection

from clinics.vocabulary import Role
from devices import locks
from devices.models import Fitting, Handpiece
from devices.services import fittings
from tests.support.devices import (
    make_fitted_handpiece,
    make_handpiece,
    make_laser,
)
from tests.support.factories import instant, make_actor
from tests.support.threads import at_once

pytestmark = pytest.mark.django_db(transaction=True)

NOW = instant("2026-03-02T08:00Z")
ROUNDS = 20
REFUSED = "handpiece_fitted"


def race(actor, handpiece, lasers):
    def put_on(laser):
        return lambda: fittings.fitting_start(
            laser_id=laser.pk, handpiece_id=handpiece.pk, at=NOW, actor=actor, now=NOW
        )

    return at_once(*map(put_on, lasers))


@pytest.fixture
def lasers():
    first = make_laser()
    return [first, make_laser(first.clinic, laser_model=first.laser_model)]


@pytest.fixture
def actor(lasers):
    return make_actor(Role.LASER_OPERATOR, clinic=lasers[0].clinic)


@pytest.mark.parametrize("fitted_before", [False, True])
def test_exactly_one_of_two_threads_fits_a_handpiece(lasers, actor, fitted_before):
    home = make_laser(lasers[0].clinic, laser_model=lasers[0].laser_model)
    for _ in range(ROUNDS):
        handpiece = (
            make_fitted_handpiece(home) if fitted_before else make_handpiece(home.laser_model)
        )
        outcomes = race(actor, handpiece, lasers)
        assert outcomes.count(REFUSED) == 1
        holding = Fitting.objects.filter(handpiece=handpiece).holding_at(NOW)
        assert [fitting.laser_id for fitting in holding] == [
            fitting.laser_id for fitting in outcomes if fitting != REFUSED
        ]


@contextmanager
def both_read_before_either_writes(monkeypatch):
    """The handpiece is read without a lock, and both threads have read before one goes on."""
    have_read = Barrier(2, timeout=20)
    decide = fittings._leave_previous

    def unlocked(*, pk, actor):
        return Handpiece.objects.get(pk=pk)

    def decide_together(*args, **kwargs):
        decide(*args, **kwargs)
        have_read.wait()

    with monkeypatch.context() as patch:
        patch.setattr(locks, "lock_handpiece", unlocked)
        patch.setattr(fittings, "_leave_previous", decide_together)
        yield


def test_control_without_the_lock_the_constraint_has_the_last_word(lasers, actor, monkeypatch):
    handpiece = make_handpiece(lasers[0].laser_model)
    with both_read_before_either_writes(monkeypatch):
        outcomes = race(actor, handpiece, lasers)
    assert outcomes.count(REFUSED) == 1
    assert Fitting.objects.filter(handpiece=handpiece).count() == 1


def test_control_without_lock_and_constraint_it_is_on_both(lasers, actor, monkeypatch):
    handpiece = make_handpiece(lasers[0].laser_model)
    constraint = next(
        rule for rule in Fitting._meta.constraints if rule.name == "fitting_one_laser_at_a_time"
    )
    with connection.schema_editor() as editor:
        editor.remove_constraint(Fitting, constraint)
    try:
        with both_read_before_either_writes(monkeypatch):
            outcomes = race(actor, handpiece, lasers)
        assert REFUSED not in outcomes
        assert Fitting.objects.filter(handpiece=handpiece).holding_at(NOW).count() == 2
    finally:
        Fitting.objects.all().delete()
        with connection.schema_editor() as editor:
            editor.add_constraint(Fitting, constraint)
