"""Searches that cannot be made are refused with the field to mend, before anything is read."""

from datetime import timedelta

import pytest
from django.utils import timezone

from clinics.models import Clinic
from clinics.vocabulary import Role
from tests.support.api import Caller, assert_problem, pointers, sign_in
from tests.support.booking import Stage, make_stage
from tests.support.factories import make_chain, make_clinic, make_opening_week

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage(time_machine_at_stage) -> Stage:
    clinic = make_clinic(make_chain(), country="")
    make_opening_week(clinic)
    return make_stage(clinic=clinic)


@pytest.fixture
def desk(stage) -> Caller:
    return sign_in(Role.FRONT_DESK, chain=stage.chain)


def instant(**away) -> str:
    return (timezone.now() + timedelta(**away)).isoformat()


def search(desk: Caller, stage: Stage, **changes):
    body = {
        "course": stage.course.pk,
        "start": instant(),
        "end": instant(days=14),
        "clinics": [{"clinic": stage.clinic.pk}],
    }
    return desk.post("/slot-searches", body | changes)


@pytest.mark.parametrize(
    ("changes", "status", "wrong"),
    [
        ({"start": "2026-03-02T09:00:00"}, 400, {"/start": "naive"}),
        ({"end": "2026-03-02T09:00:00"}, 400, {"/end": "naive"}),
        ({"minutes": 0}, 400, {"/minutes": "min_value"}),
        ({"minutes": 3 * 24 * 60}, 400, {"/minutes": "max_value"}),
        ({"clinics": [{"clinic": 999_999}]}, 400, {"/clinics/0/clinic": "does_not_exist"}),
        ({"clinics": [{"clinic": 10**30}]}, 400, {"/clinics/0/clinic": "does_not_exist"}),
        ({"clinics": [{"clinic": 1}] * 10_000}, 400, {"/clinics": "max_length"}),
        ({"clinics": []}, 400, {"/clinics": "min_length"}),
        ({"wishes": []}, 400, {"/wishes": "min_length"}),
        ({"operators": []}, 400, {"/operators": "min_length"}),
        ({"wavelengths_nm": []}, 400, {"/wavelengths_nm": "min_length"}),
        ({"clinics": "all"}, 400, {"/clinics": "not_a_list"}),
        ({"limit": 51}, 400, {"/limit": "max_value"}),
        ({"rank": "cheapest"}, 400, {"/rank": "invalid_choice"}),
        ({"wavelengths_nm": [0]}, 400, {"/wavelengths_nm/0": "min_value"}),
        ({"wishes": [{"weekdays": [8]}]}, 400, {"/wishes/0/weekdays/0": "max_value"}),
        ({"wishes": [{"since": "09:00+01:00"}]}, 400, {"/wishes/0/since": "invalid"}),
        (
            {"wishes": [{"since": "09:00"}, {"since": "18:00", "until": "09:00"}]},
            422,
            {"/wishes/1/until": "slot_search"},
        ),
        (
            {"technique": {"passes": 10, "spot_mm": 0.5, "rate_hz": 0.1}},
            422,
            {"/technique": "session-too-long"},
        ),
    ],
)
def test_a_wrong_field_is_named(desk, stage, changes, status, wrong):
    assert pointers(assert_problem(search(desk, stage, **changes), status)) == wrong


def test_a_span_in_the_past_is_refused(desk, stage):
    over = search(desk, stage, start=instant(days=-10), end=instant(days=-3))
    assert pointers(assert_problem(over, 422)) == {"/end": "in_the_past"}


def test_a_span_that_began_in_the_past_is_searched_from_now_on(desk, stage):
    slots = search(desk, stage, start=instant(days=-10)).json()["slots"]
    assert slots
    assert min(slot["start"] for slot in slots) >= instant()


def test_an_end_before_the_start_is_refused(desk, stage):
    backwards = search(desk, stage, start=instant(days=3), end=instant(days=1))
    assert pointers(assert_problem(backwards, 400)) == {"/end": "order"}


@pytest.mark.parametrize("days", [401.5, 36_500])
def test_a_span_longer_than_the_limit_is_refused(desk, stage, days):
    problem = assert_problem(search(desk, stage, end=instant(days=days)), 422)
    assert pointers(problem) == {"/end": "slot_search"}
    assert "400 days" in problem["errors"][0]["detail"]


def test_a_span_as_long_as_the_limit_is_searched(desk, stage):
    assert search(desk, stage, end=instant(days=400)).json()["slots"]


def test_a_clinic_of_another_chain_is_as_unknown_as_one_that_is_not_there(desk, stage):
    other = make_clinic(make_chain())
    problem = assert_problem(search(desk, stage, clinics=[{"clinic": other.pk}]), 400)
    assert pointers(problem) == {"/clinics/0/clinic": "does_not_exist"}


def test_a_closed_clinic_says_so(desk, stage):
    Clinic.objects.update(active=False)
    found = search(desk, stage).json()
    assert found["slots"] == []
    assert found["bounds"][0]["code"] == "no_clinic"


def test_the_same_wavelength_twice_is_one_wavelength(desk, stage):
    assert search(desk, stage, wavelengths_nm=[1064, 1064]).json()["slots"]


def test_a_chain_of_more_clinics_than_the_limit_must_name_them(desk, stage):
    for number in range(250):
        make_clinic(stage.chain, name=f"Invented {number}", country="")
    problem = assert_problem(
        desk.post(
            "/slot-searches",
            {"course": stage.course.pk, "start": instant(), "end": instant(days=7)},
        ),
        422,
    )
    assert pointers(problem) == {"/clinics": "slot_search"}
    assert "250" in problem["errors"][0]["detail"]
