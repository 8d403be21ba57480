"""Handpieces: what they pass, where they are, out of service."""

from datetime import timedelta

import pytest

from clinics.models import Resource
from clinics.vocabulary import Role
from devices.models import Handpiece
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.devices import (
    fit,
    make_fitted_handpiece,
    make_handpiece,
    make_laser,
    make_laser_model,
    make_pulse_entry,
)
from tests.support.factories import make_clinic, make_reservation, now, span

pytestmark = pytest.mark.django_db


@pytest.fixture
def clinic():
    return make_clinic()


@pytest.fixture
def officer(clinic):
    return sign_in(Role.LASER_SAFETY_OFFICER, clinic=clinic)


@pytest.fixture
def model(clinic):
    return make_laser_model(clinic.chain)


def body(clinic, model, **changes):
    given = {
        "clinic": clinic.pk,
        "serial": "HP-7",
        "lines": [line.pk for line in model.lines.all()],
        "spot_sizes_mm": [3, 2],
        "rated_life_pulses": 1_000_000,
        "rated_life_months": 24,
    }
    return {**given, **changes}


def test_a_new_handpiece_comes_with_what_bookings_lock(officer, clinic, model):
    answer = officer.post("/handpieces", body(clinic, model))
    assert answer.status_code == 201, answer.json()
    shown = answer.json()
    assert [line["wavelength_nm"] for line in shown["lines"]] == [532, 1064]
    assert (shown["spot_sizes_mm"], shown["fitted"]) == ([2.0, 3.0], None)
    resource = Resource.objects.get(pk=shown["resource"])
    assert (resource.kind, resource.clinic) == ("handpiece", clinic)


def refused(answer, status, code=None):
    problem = assert_problem(answer, status, code)
    assert not Handpiece.objects.exists()
    assert not Resource.objects.filter(kind="handpiece").exists()
    return problem


def test_a_spot_that_no_line_has_is_refused_with_the_list(officer, clinic, model):
    answer = officer.post("/handpieces", body(clinic, model, spot_sizes_mm=[3, 7]))
    problem = refused(answer, 422, "spot_not_listed")
    assert (problem["spot_sizes_mm"], problem["refused_mm"]) == ([2.0, 3.0, 4.0], [7.0])


def test_lines_of_two_models_are_refused(officer, clinic, model):
    other = make_laser_model(clinic.chain)
    lines = [model.lines.first().pk, other.lines.first().pk]
    refused(officer.post("/handpieces", body(clinic, model, lines=lines)), 400, "lines_malformed")


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"lines": []}, {"/lines": "empty"}),
        ({"lines": [10**12]}, {"/lines": "does_not_exist"}),
        ({"spot_sizes_mm": []}, {"/spot_sizes_mm": "min_length"}),
        ({"rated_life_pulses": 0}, {"/rated_life_pulses": "min_value"}),
        ({"rated_life_months": 0}, {"/rated_life_months": "min_value"}),
        ({"rated_life_pulses": 1.5}, {"/rated_life_pulses": "number"}),
        ({"counter_at_start": -1}, {"/counter_at_start": "min_value"}),
        ({"counter_at_start": 10**30}, {"/counter_at_start": "max_value"}),
        ({"serial": ""}, {"/serial": "blank"}),
    ],
)
def test_bad_input_is_named_and_nothing_stored(officer, clinic, model, change, wrong):
    problem = refused(officer.post("/handpieces", body(clinic, model, **change)), 400)
    assert pointers(problem) == wrong


def test_a_serial_is_taken_once(officer, clinic, model):
    assert officer.post("/handpieces", body(clinic, model)).status_code == 201
    assert_problem(officer.post("/handpieces", body(clinic, model)), 409, "serial_taken")
    assert Resource.objects.filter(kind="handpiece").count() == 1


def test_a_line_it_has_fired_on_stays(officer, clinic, model):
    laser = make_laser(clinic, laser_model=model)
    handpiece = make_fitted_handpiece(laser)
    green, infrared = handpiece.lines.order_by("wavelength_nm")
    make_pulse_entry(laser, handpiece, line=green, fired_at=now())
    path = f"/handpieces/{handpiece.pk}"
    problem = officer.patch(path, {"lines": [infrared.pk]}, version=1)
    assert assert_problem(problem, 409, "device_in_use")["used_by"] == ["pulse_entries"]
    changed = officer.patch(path, {"lines": [green.pk]}, version=1)
    assert [line["id"] for line in changed.json()["lines"]] == [green.pk]
    assert changed.json()["version"] == 2


def test_a_fitted_one_keeps_to_its_lasers_model(officer, clinic, model):
    handpiece = make_fitted_handpiece(make_laser(clinic, laser_model=model))
    other = make_laser_model(clinic.chain)
    answer = officer.patch(
        f"/handpieces/{handpiece.pk}", {"lines": [other.lines.first().pk]}, version=1
    )
    assert assert_problem(answer, 409, "device_in_use")["used_by"] == ["fittings"]
    assert {line.laser_model_id for line in handpiece.lines.all()} == {model.pk}


def test_retired_once_taken_off_and_not_booked(officer, clinic, model):
    handpiece = make_handpiece(model, clinic=clinic)
    fitting = fit(handpiece, make_laser(clinic, laser_model=model))
    visit = make_reservation(handpiece.resource, span(now() + timedelta(days=1)))
    path, retired = f"/handpieces/{handpiece.pk}", {"status": "inactive"}
    assert_problem(officer.patch(path, retired, version=1), 409, "visits_in_the_way")
    visit.delete()
    assert_problem(officer.patch(path, retired, version=1), 409, "device_in_use")
    fitting.delete()
    assert officer.patch(path, retired, version=1).json()["status"] == "inactive"


def test_found_by_the_laser_they_are_on(officer, clinic, model):
    laser = make_laser(clinic, laser_model=model)
    on_it = make_fitted_handpiece(laser)
    fit(make_handpiece(model), laser, until=now() - timedelta(days=1))
    found = officer.get("/handpieces", laser=laser.pk).json()["items"]
    assert [row["id"] for row in found] == [on_it.pk]
    assert found[0]["fitted"]["laser"] == laser.pk
