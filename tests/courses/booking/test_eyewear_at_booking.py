"""Booking asks whether the room has eyewear for all that the laser will emit, and for everyone."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clinics.models import Reservation
from clinics.vocabulary import Role
from courses.models import Appointment
from devices.models import Eyewear
from tests.support.api import Caller, assert_problem, sign_in
from tests.support.booking import TOMORROW_TEN, Stage, make_stage
from tests.support.devices import make_eyewear, make_eyewear_policy
from tests.support.factories import make_clinic, make_room, number

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage(time_machine_at_stage) -> Stage:
    return make_stage()


@pytest.fixture
def desk(stage) -> Caller:
    return sign_in(Role.FRONT_DESK, clinic=stage.clinic)


def refuse(stage):
    return make_eyewear_policy(stage.chain, at_booking="refuse")


def body(stage, **changes):
    return {
        "course": stage.course.pk,
        "start": TOMORROW_TEN.isoformat(),
        "clinic": stage.clinic.pk,
        "room": stage.room.pk,
        "operator": stage.operator.pk,
        "laser": stage.laser.pk,
        "handpieces": [stage.handpiece.pk],
        "wavelengths_nm": [1064],
        **changes,
    }


def book(desk, stage, **changes):
    return desk.post("/appointments", body(stage, **changes), key=f"key-{number()}")


def change(desk, appointment, step, given=None):
    path = f"/appointments/{appointment['id']}"
    headers = {"If-Match": desk.etag(path)}
    return desk.client.post(f"/api/v1{path}/{step}", given or {}, format="json", headers=headers)


def booked(answer):
    assert answer.status_code == 201, answer.json()
    return answer.json()


def refused(answer):
    problem = assert_problem(answer, 422, "eyewear_missing")
    assert (Appointment.objects.count(), Reservation.objects.count()) == (0, 0)
    return problem


def test_by_default_it_is_booked_and_said_what_is_missing(desk, stage):
    [told] = booked(book(desk, stage))["eyewear_lacking"]
    assert told["lacking_nm"] == [1064]
    assert told["needed"][0].startswith("1064 nm: OD")
    assert "LB" in told["needed"][0]


def test_with_fitting_pairs_nothing_is_said(desk, stage):
    make_eyewear(stage.clinic, pairs=2)
    assert booked(book(desk, stage))["eyewear_lacking"] == []


def test_a_chain_that_refuses_books_nothing_without_a_fitting_pair(desk, stage):
    refuse(stage)
    [lacking] = refused(book(desk, stage))["lacking"]
    assert lacking["lacking_nm"] == [1064]
    make_eyewear(stage.clinic, pairs=2)
    assert booked(book(desk, stage))["eyewear_lacking"] == []


def test_a_doubled_line_needs_both_wavelengths_on_one_pair(desk, stage):
    refuse(stage)
    only = {
        nm: make_eyewear(stage.clinic, pairs=2, densities=[], marks=[f"{nm} DIRM LB10"])
        for nm in (532, 1064)
    }
    assert booked(book(desk, stage))
    Appointment.objects.all().delete()
    Reservation.objects.all().delete()
    problem = refused(book(desk, stage, wavelengths_nm=[532]))
    assert problem["lacking"][0]["wavelength_nm"] == 532
    assert problem["firings"][0]["emitted_nm"] == [532, 1064]
    assert set(problem["lacking"][0]["lacking_nm"]) == {532, 1064}, "no pair stops both"
    Eyewear.objects.filter(pk__in=[one.pk for one in only[532]]).update(
        marks=["532 DIRM LB10", "1064 DIRM LB10"]
    )
    assert booked(book(desk, stage, wavelengths_nm=[532]))["eyewear_lacking"] == []


@pytest.mark.parametrize(
    "fields",
    [
        {"state": "damaged"},
        {"state": "withdrawn"},
        {"inspected_on": None},
        {"inspected_on": "2025-01-01"},
        {"densities": [{"low_nm": 1064, "high_nm": 1064, "density": 3}], "marks": []},
        {"densities": [{"low_nm": 1064, "high_nm": 1064, "density": 9}], "marks": []},
        {"marks": ["1064 D LB3 + IR LB3"], "densities": []},
    ],
)
def test_what_does_not_count_does_not_fit(desk, stage, fields):
    refuse(stage)
    make_eyewear(stage.clinic, pairs=2, **fields)
    refused(book(desk, stage))


def test_only_what_is_kept_there_counts(desk, stage):
    refuse(stage)
    make_eyewear(stage.clinic, pairs=2, room=make_room(stage.clinic))
    make_eyewear(make_clinic(stage.chain), pairs=2)
    make_eyewear(pairs=2)
    refused(book(desk, stage))
    make_eyewear(stage.clinic, pairs=2, room=stage.room)
    booked(book(desk, stage))


def test_one_pair_is_not_enough_for_two_but_a_shield_serves_the_patient(desk, stage):
    refuse(stage)
    make_eyewear(stage.clinic)
    assert "1 fitting pairs" in refused(book(desk, stage))["detail"]
    make_eyewear(stage.clinic, kind="patient_shield", densities=[], marks=[])
    booked(book(desk, stage))


def test_shields_serve_no_operator(desk, stage):
    refuse(stage)
    make_eyewear(stage.clinic, pairs=2, kind="patient_shield", densities=[], marks=[])
    refused(book(desk, stage))


def test_density_alone_where_marks_are_not_in_use(desk, stage):
    make_eyewear_policy(stage.chain, at_booking="refuse", needs_levels=False)
    density = [{"low_nm": 1064, "high_nm": 1064, "density": 9}]
    make_eyewear(stage.clinic, pairs=2, densities=density, marks=[])
    booked(book(desk, stage))


def test_a_chain_may_ask_nothing_at_all(desk, stage):
    make_eyewear_policy(stage.chain, at_booking="off")
    assert booked(book(desk, stage))["eyewear_lacking"] == []


def test_a_move_and_a_hold_turned_into_a_booking_are_asked_too(desk, stage):
    made = make_eyewear(stage.clinic, pairs=2)
    held = booked(book(desk, stage, hold_minutes=10))
    refuse(stage)
    Eyewear.objects.filter(pk=made[0].pk).update(state="damaged")
    confirm = change(desk, held, "confirm")
    assert_problem(confirm, 422, "eyewear_missing")
    later = (TOMORROW_TEN + timedelta(hours=2)).isoformat()
    moved = {key: value for key, value in body(stage, start=later).items() if key != "course"}
    assert_problem(change(desk, held, "move", moved), 422, "eyewear_missing")
    Eyewear.objects.filter(pk=made[0].pk).update(state="in_use")
    assert change(desk, held, "confirm").json()["eyewear_lacking"] == []


def test_the_check_costs_the_same_for_two_pairs_and_for_twelve(desk, stage):
    refuse(stage)

    def queries(key):
        with CaptureQueriesContext(connection) as seen:
            answer = desk.post("/appointments", body(stage, hold_minutes=1), key=key)
        booked(answer)
        Reservation.objects.all().delete()
        Appointment.objects.all().delete()
        return len(seen)

    make_eyewear(stage.clinic, pairs=2)
    queries("warm")
    few = queries("few")
    make_eyewear(stage.clinic, pairs=10)
    assert queries("many") == few
