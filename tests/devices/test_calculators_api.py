"""The fluence calculator: the third of energy, spot and fluence, beside a line's limits."""

import pytest

from clinics.vocabulary import Role
from tests.support.api import anonymous, assert_problem, pointers, sign_in
from tests.support.devices import make_laser_model, make_line

pytestmark = pytest.mark.django_db


@pytest.fixture
def desk():
    return sign_in(Role.FRONT_DESK)


@pytest.fixture
def line(desk):
    return make_line(make_laser_model(desk.staff.chain, lines_nm=[]), 1064, max_energy_j=0.5)


def work_out(caller, **given):
    return caller.post("/calculators/fluence", given)


@pytest.mark.parametrize(
    ("given", "computed", "value"),
    [
        ({"spot_mm": 3, "fluence_j_cm2": 8}, "energy_j", 0.56549),
        ({"spot_mm": 3, "energy_j": 1}, "fluence_j_cm2", 14.147),
        ({"energy_j": 0.56549, "fluence_j_cm2": 8}, "spot_mm", 3.0),
    ],
)
def test_works_out_the_third(desk, given, computed, value):
    answer = work_out(desk, **given)
    assert answer.status_code == 200, answer.json()
    shown = answer.json()
    assert shown["computed"] == computed
    assert shown[computed] == pytest.approx(value, rel=1e-4)
    assert (shown["line_limit"], shown["average_power_w"]) == (None, None)
    assert shown["basis"][0]["id"] == "fluence-top-hat"
    assert "safety officer" in shown["caution"]


def test_average_power_where_a_rate_is_given(desk):
    shown = work_out(desk, spot_mm=3, energy_j=0.4, rate_hz=5).json()
    assert shown["average_power_w"] == pytest.approx(2.0)


def test_says_how_the_values_stand_to_a_lines_limits(desk, line):
    limit = work_out(desk, spot_mm=3, fluence_j_cm2=7, line=line.pk).json()["line_limit"]
    assert (limit["within"], limit["beyond"]) == (True, [])
    assert limit["max_fluence_j_cm2"] == pytest.approx(7.0736, rel=1e-4)
    over = work_out(desk, spot_mm=3, fluence_j_cm2=8, rate_hz=11, line=line.pk).json()
    assert (over["line_limit"]["within"], over["line_limit"]["beyond"]) == (
        False,
        ["energy_j", "rate_hz"],
    )


def test_a_spot_that_the_line_has_not_is_refused_with_the_list(desk, line):
    answer = work_out(desk, spot_mm=5, fluence_j_cm2=2, line=line.pk)
    assert assert_problem(answer, 422, "spot_not_listed")["spot_sizes_mm"] == [2.0, 3.0, 4.0]


def test_a_computed_spot_that_the_line_has_not_is_said(desk, line):
    answer = work_out(desk, energy_j=0.3, fluence_j_cm2=2, line=line.pk)
    assert answer.json()["line_limit"]["beyond"] == ["spot_mm"]


@pytest.mark.parametrize(
    ("given", "wrong"),
    [
        ({}, {"": "two_of_three"}),
        ({"spot_mm": 3}, {"": "two_of_three"}),
        ({"spot_mm": 3, "energy_j": 1, "fluence_j_cm2": 14}, {"": "two_of_three"}),
        ({"spot_mm": 0, "energy_j": 1}, {"/spot_mm": "positive"}),
        ({"spot_mm": 1e-308, "energy_j": 1}, {"/spot_mm": "positive"}),
        ({"spot_mm": 3, "energy_j": -1}, {"/energy_j": "positive"}),
        ({"spot_mm": 3, "energy_j": 1, "rate_hz": 0}, {"/rate_hz": "positive"}),
        ({"spot_mm": "Infinity", "energy_j": 1}, {"/spot_mm": "number"}),
        ({"spot_mm": 3, "energy_j": 565}, None),
        ({"spot_mm": 3, "energy_j": 5650}, {"/energy_j": "max_value"}),
    ],
)
def test_bad_input_is_named(desk, given, wrong):
    answer = work_out(desk, **given)
    if wrong is None:
        assert answer.status_code == 200
    else:
        assert pointers(assert_problem(answer, 400)) == wrong


def test_every_role_may_ask_and_nobody_without_one(line):
    for role in Role:
        assert work_out(sign_in(role), spot_mm=3, energy_j=1).status_code == 200
    assert_problem(work_out(anonymous(), spot_mm=3, energy_j=1), 401)
    assert_problem(work_out(sign_in(None), spot_mm=3, energy_j=1), 403)


def test_a_line_of_another_chain_does_not_exist(line):
    stranger = sign_in(Role.LASER_OPERATOR)
    answer = work_out(stranger, spot_mm=3, energy_j=0.1, line=line.pk)
    assert pointers(assert_problem(answer, 400)) == {"/line": "does_not_exist"}
