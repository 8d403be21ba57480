"""The same seed and day give the same rows; any day will do. The tables are empty here."""

from datetime import date, timedelta

import pytest
import time_machine
from django.core.management import CommandError, call_command

from courses.demo.loading import Order, load
from courses.demo.moment import Moment
from courses.demo.scenario import make_scenario
from courses.demo.stages import SCRIPTS, stages_for
from courses.models import Appointment
from courses.services.booking import appointment_book
from courses.vocabulary import AppointmentStatus
from tests.support.booking import NOW, make_stage
from tests.support.demo import LOADED_AT, digest, restart_keys, unit

SMALL = Order(patients=16, today=date(2026, 10, 27))


class Undone(Exception):
    """Leaves a transaction."""


def digest_of_loading(order, *, at=LOADED_AT, without=()):
    """The digest of a demonstration that is taken back at once."""
    with time_machine.travel(at, tick=False):
        try:
            with unit():
                restart_keys()
                load(order, now=at, tell=lambda _: None)
                found = digest(without=without)
                raise Undone
        except Undone:
            return found


def test_same_seed_and_day_give_the_same_rows(db):
    first = digest_of_loading(SMALL)
    assert digest_of_loading(SMALL, at=LOADED_AT + timedelta(hours=5)) == first
    other = Order(patients=SMALL.patients, today=SMALL.today, seed=7)
    assert digest_of_loading(other) != first


def test_the_hour_of_the_day_moves_only_what_is_about_to_leave(db):
    order = Order(patients=40)
    evening = LOADED_AT + timedelta(hours=9)
    assert digest_of_loading(order) != digest_of_loading(order, at=evening)
    without = {"due_at"}
    assert digest_of_loading(order, without=without) == digest_of_loading(
        order, at=evening, without=without
    )


def test_another_chain_beside_it_is_left_alone(db):
    stage = make_stage()
    with time_machine.travel(NOW, tick=False):
        booked = appointment_book(
            course_id=stage.course.pk, visit=stage.visit(), actor=stage.desk, now=NOW
        )
    before = Appointment.objects.filter(pk=booked.pk).values().get()
    load(SMALL, now=LOADED_AT, tell=lambda _: None)
    assert Appointment.objects.filter(pk=booked.pk).values().get() == before


def test_refuses_what_it_cannot_make_up(db):
    with pytest.raises(CommandError, match="takes 1 to"):
        call_command("load_demo", patients=0)
    with pytest.raises(CommandError, match="not there"):
        call_command("load_demo", renew_sign_ins=True)


@pytest.mark.parametrize("patients", [1, 5, 30, 300, 400])
def test_each_patient_has_a_stage(patients):
    stages = stages_for(patients)
    assert len(stages) == patients
    if patients >= 2 * len(SCRIPTS):
        assert set(stages) == set(SCRIPTS)


@pytest.mark.parametrize(
    "today",
    [date(2026, 1, 1), date(2026, 3, 29), date(2026, 5, 2), date(2027, 12, 26), date(2028, 2, 29)],
)
def test_any_day_will_do(today):
    scenario = make_scenario(Moment(today), patients=24)
    done = sum(len(walk.done) for walk in scenario.walks)
    ahead = [one for one in scenario.bookings if one.status == AppointmentStatus.BOOKED]
    assert done > 30
    assert all(one.visit.slot.start >= scenario.moment.now for one in ahead)
