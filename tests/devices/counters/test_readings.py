"""Readings over the API: a counter never runs backwards, and what is refused is not stored."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from devices.models import Counter, CounterReading
from devices.vocabulary import CounterKind, CounterUnit, PartKind
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.counters import DAY_START, make_counter, make_installation, make_reading
from tests.support.devices import make_fitted_handpiece, make_laser
from tests.support.factories import make_clinic, now, number

pytestmark = pytest.mark.django_db


@pytest.fixture
def laser():
    return make_laser()


@pytest.fixture
def counter(laser):
    return make_counter(laser)


@pytest.fixture
def operator(laser):
    return sign_in(Role.LASER_OPERATOR, clinic=laser.clinic)


@pytest.fixture
def officer(laser):
    return sign_in(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)


def body(counter, value, *, hours=0.0, **fields):
    return {
        "counter": counter.pk,
        "value": value,
        "unit": "pulses",
        "read_at": (DAY_START + timedelta(hours=hours)).isoformat(),
        "occasion": "daily",
        **fields,
    }


def send(caller, *args, **fields):
    return caller.post("/counter-readings", body(*args, **fields), key=f"k{number()}")


def stored(counter):
    return [*counter.readings.order_by("read_at", "id").values_list("value", flat=True)]


def test_readings_of_a_day(operator, counter):
    first = send(operator, counter, 1000, occasion="session_start")
    assert first.status_code == 201, first.json()
    assert first.json()["stands"] is True
    assert send(operator, counter, 1250, hours=1, occasion="session_end").status_code == 201
    assert stored(counter) == [1000, 1250]


def test_a_counter_does_not_run_backwards(operator, counter):
    make_reading(counter, 1000)
    problem = assert_problem(send(operator, counter, 999, hours=1), 422, "counter_backwards")
    assert (problem["value"], problem["value_before"]) == (999, 1000)
    assert stored(counter) == [1000]


def test_a_late_reading_fits_between_those_that_stand(operator, counter):
    make_reading(counter, 1000)
    make_reading(counter, 2000, hours=4)
    assert_problem(send(operator, counter, 2001, hours=2), 422, "counter_backwards")
    assert_problem(send(operator, counter, 999, hours=2), 422, "counter_backwards")
    assert send(operator, counter, 1500, hours=2).status_code == 201


@pytest.mark.parametrize(
    ("fields", "status", "code"),
    [
        ({"value": -1}, 400, None),
        ({"value": 10.5}, 400, None),
        ({"value": "1000"}, 400, None),
        ({"value": True}, 400, None),
        ({"unit": "kilopulses"}, 400, None),
        ({"unit": "thousand_pulses"}, 422, "counter_unit_differs"),
        ({"occasion": "sometimes"}, 400, None),
        ({"read_at": "2026-03-02T08:00:00"}, 400, None),
        ({"read_at": (now() + timedelta(hours=1)).isoformat()}, 400, "instant_in_the_future"),
        ({"step": "rolled_over"}, 422, "counter_value_impossible"),
        ({"step": "replaced"}, 422, "part_record_missing"),
        ({"first_value": 5}, 400, None),
        ({"counter": 10**9}, 400, None),
        ({"colour": "red"}, 400, None),
    ],
)
def test_what_cannot_be_is_refused_and_not_stored(operator, counter, fields, status, code):
    make_reading(counter, 500)
    told = {**body(counter, 1000, hours=1), **fields}
    assert_problem(operator.post("/counter-readings", told, key="bad"), status, code)
    assert stored(counter) == [500]


def test_a_field_left_out_is_named(operator, counter):
    told = body(counter, 5)
    for name in ("value", "unit", "occasion", "counter"):
        some = {key: value for key, value in told.items() if key != name}
        problem = assert_problem(operator.post("/counter-readings", some, key=name), 400)
        assert pointers(problem) == {f"/{name}": "required"}


def test_more_pulses_than_the_lines_can_fire_in_the_time(operator, counter):
    make_reading(counter, 0)
    problem = assert_problem(send(operator, counter, 36_002, hours=1), 422, "counter_too_fast")
    assert problem["rule"] == "too-fast"
    assert send(operator, counter, 36_001, hours=1).status_code == 201


def test_a_roll_over_needs_the_capacity(operator, laser):
    counter = make_counter(laser, capacity=1_000_000)
    make_reading(counter, 999_900)
    assert_problem(send(operator, counter, 1_000_000, hours=1), 422, "counter_value_impossible")
    assert_problem(send(operator, counter, 50, hours=1), 422, "counter_backwards")
    assert send(operator, counter, 50, hours=1, step="rolled_over").status_code == 201


def test_a_reset_needs_the_record_of_the_part(operator, laser):
    lamp = make_counter(laser, kind=CounterKind.LAMP)
    make_reading(lamp, 7_000_000)
    unfit = [
        make_installation(make_laser(laser.clinic), kind=PartKind.FLASHLAMP),
        make_installation(laser, kind=PartKind.WINDOW),
        make_installation(laser, kind=PartKind.FLASHLAMP, since=DAY_START + timedelta(hours=5)),
        make_installation(make_laser(), kind=PartKind.FLASHLAMP),
    ]
    for stay in unfit:
        answer = send(operator, lamp, 30, hours=1, step="replaced", installation=stay.pk)
        assert answer.status_code in {400, 422}
    assert stored(lamp) == [7_000_000]
    fit = make_installation(laser, kind=PartKind.FLASHLAMP)
    reset = {"step": "replaced", "installation": fit.pk}
    assert send(operator, lamp, 30, hours=1, **reset).status_code == 201
    assert_problem(send(operator, lamp, 10, hours=2, **reset), 422, "part_record_missing")


def test_one_reading_an_instant(operator, counter):
    send(operator, counter, 1000)
    assert_problem(send(operator, counter, 1000), 409, "counter_reading_taken")


def test_the_same_key_again_stores_nothing_more(operator, counter):
    for _ in range(2):
        assert operator.post("/counter-readings", body(counter, 5), key="once").status_code == 201
    assert stored(counter) == [5]


def test_a_wrong_reading_is_replaced_by_a_further_row(officer, operator, counter):
    make_reading(counter, 1000)
    wrong = make_reading(counter, 1900, hours=1)
    assert_problem(send(operator, counter, 1300, hours=2), 422, "counter_backwards")
    path = f"/counter-readings/{wrong.pk}/corrections"
    told = {"value": 1190, "reason": "two digits swapped"}
    assert_problem(operator.post(path, told, key="a"), 403)
    assert_problem(officer.post(path, {"value": 999, "reason": "r"}, key="b"), 422)
    mended = officer.post(path, told, key="c")
    assert mended.status_code == 201, mended.json()
    assert officer.get(f"/counter-readings/{wrong.pk}").json()["stands"] is False
    assert_problem(officer.post(path, told, key="d"), 409, "counter_reading_corrected")
    assert send(operator, counter, 1300, hours=2).status_code == 201


def test_a_reading_that_was_none_is_withdrawn(officer, operator, counter):
    make_reading(counter, 1000)
    wrong = make_reading(counter, 9000, hours=1)
    path = f"/counter-readings/{wrong.pk}/corrections"
    for nothing in ({"reason": "r"}, {"withdrawn": True, "value": 3, "reason": "r"}):
        assert_problem(officer.post(path, nothing, key=f"k{number()}"), 400)
    gone = officer.post(path, {"withdrawn": True, "reason": "another device"}, key="w")
    assert (gone.status_code, gone.json()["stands"]) == (201, False)
    assert send(operator, counter, 1300, hours=2).status_code == 201


def test_only_at_ones_own_clinic(laser, counter):
    elsewhere = sign_in(Role.LASER_OPERATOR, clinic=make_clinic(laser.chain))
    assert_problem(send(elsewhere, counter, 5), 403)
    stranger = sign_in(Role.LASER_OPERATOR)
    assert_problem(send(stranger, counter, 5), 400)
    assert not CounterReading.objects.exists()


def test_the_database_refuses_to_change_a_reading(counter):
    reading = make_reading(counter, 5)
    with pytest.raises(Exception, match="only grows"):
        reading.delete()


class TestCounters:
    def test_one_of_each_kind(self, officer, laser):
        handpiece = make_fitted_handpiece(laser)
        for kind, device in (("laser", laser), ("lamp", laser), ("handpiece", handpiece)):
            told = {"kind": kind, "unit": "pulses"}
            told["handpiece" if kind == "handpiece" else "laser"] = device.pk
            made = officer.post("/counters", told)
            assert made.status_code == 201, made.json()
            assert_problem(officer.post("/counters", told), 409, "counter_taken")
        assert Counter.objects.count() == 3

    @pytest.mark.parametrize(
        "change", [{"laser": None}, {"kind": "handpiece"}, {"unit": "shots"}, {"capacity": 0}]
    )
    def test_what_is_none(self, officer, laser, change):
        told = {"kind": "laser", "laser": laser.pk, "unit": "pulses", **change}
        told = {name: value for name, value in told.items() if value is not None}
        assert_problem(officer.post("/counters", told), 400)
        assert not Counter.objects.exists()

    def test_a_capacity_below_what_was_read(self, officer, counter):
        make_reading(counter, 5000)
        path = f"/counters/{counter.pk}"
        refused = officer.patch(path, {"capacity": 5000}, version=1)
        assert_problem(refused, 422, "counter_capacity_in_use")
        assert officer.patch(path, {"capacity": 5001}, version=1).status_code == 200

    def test_one_that_is_no_longer_read(self, officer, operator, counter):
        officer.patch(f"/counters/{counter.pk}", {"active": False}, version=1)
        assert_problem(send(operator, counter, 5), 422, "counter_inactive")

    def test_a_counter_of_thousands(self, operator, laser):
        counter = make_counter(laser, unit=CounterUnit.THOUSAND_PULSES)
        assert_problem(send(operator, counter, 5), 422, "counter_unit_differs")
        assert send(operator, counter, 5, unit="thousand_pulses").status_code == 201
