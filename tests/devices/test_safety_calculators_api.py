"""Calculators of laser safety: values, where they come from, and clear refusals."""

import json

import pytest

from clinics.vocabulary import Role
from tests.support.api import anonymous, assert_problem, pointers, sign_in
from tests.support.devices import make_laser, make_laser_model, make_line
from tests.support.factories import make_clinic

pytestmark = pytest.mark.django_db

PULSE = {"wavelength_nm": 1064, "pulse_duration": 6, "pulse_duration_unit": "ns"}
BEAM = {**PULSE, "rate_hz": 10, "energy_j": 0.5655, "diameter_mm": 3}
FAR = {**BEAM, "divergence_mrad": 2}
ADDRESSES = {
    "exposure-limit": {**PULSE, "rate_hz": 10},
    "eyewear": BEAM,
    "hazard-distance": FAR,
}


@pytest.fixture
def officer():
    return sign_in(Role.LASER_SAFETY_OFFICER)


@pytest.fixture
def laser(officer):
    return make_laser(make_clinic(officer.staff.chain))


def ask(caller, which, given=None, **changes):
    return caller.post(f"/calculators/{which}", {**(given or ADDRESSES[which]), **changes})


def shown(answer):
    assert answer.status_code == 200, answer.json()
    body = answer.json()
    assert "safety officer" in body["caution"]
    assert all(one["source"] for one in body["basis"])
    return body


@pytest.mark.parametrize(
    ("limit_set", "expected", "rule", "tables"),
    [
        ("EU2006", 5e-2 * 0.31623, 3, ["2.2", "2.6"]),
        ("IEC2014", 2e-2, 1, ["A.1", "4.3 f"]),
        ("LOWER", 5e-2 * 0.31623, 3, ["2.2", "2.6"]),
    ],
)
def test_a_limit_with_its_set_table_and_clause(officer, limit_set, expected, rule, tables):
    body = shown(ask(officer, "exposure-limit", limit_set=limit_set))
    [result] = body["results"]
    eye = result["eye"]
    assert eye["value_j_m2"] == pytest.approx(expected, rel=1e-4)
    assert (eye["rule"], eye["pulses"], eye["aperture_mm"]) == (rule, 100, 7.0)
    assert [clause["table"] for clause in eye["clauses"]] == tables
    assert eye["limit_set"] in {limit_set, "EU2006"}
    assert result["skin"]["aperture_mm"] == 3.5


def test_on_a_boundary_the_stricter_is_told(officer):
    given = {"wavelength_nm": 532, "pulse_duration": 1, "pulse_duration_unit": "ns"}
    body = shown(ask(officer, "exposure-limit", given, limit_set="EU2006"))
    assert body["results"][0]["eye"]["value_j_m2"] == pytest.approx(4.80e-3, rel=1e-3)


def test_what_eyewear_needs(officer):
    [result] = shown(ask(officer, "eyewear"))["results"]
    assert result["density"] == pytest.approx(5.968, abs=2e-3)
    assert result["least_marked_density"] == 6
    assert {level["mark"] for level in result["levels"]} == {"R LB8", "D LB5"}
    assert "10 s" in result["test"]


def test_hazard_distance_by_both_forms(officer):
    given = {**PULSE, "energy_j": 0.5, "diameter_mm": 3, "divergence_mrad": 2}
    more = {"focal_mm": 50, "beam_on_lens_mm": 10, "reflectance": 1, "limit_set": "EU2006"}
    [result] = shown(ask(officer, "hazard-distance", given, **more))["results"]
    assert result["linear_m"] == pytest.approx(1782.6, rel=1e-4)
    assert result["quadrature_m"] == pytest.approx(1784.1, rel=1e-4)
    assert result["lens_m"] == pytest.approx(17.841, rel=1e-4)
    assert result["diffuse_m"] == pytest.approx(1.7841, rel=1e-4)


def test_units_say_the_same_thing(officer):
    answers = [
        ask(
            officer,
            "exposure-limit",
            {**PULSE, "pulse_duration": number, "pulse_duration_unit": unit},
        )
        for number, unit in ((6000, "ps"), (6, "ns"), (0.006, "us"))
    ]
    values = [shown(one)["results"][0]["eye"]["value_j_m2"] for one in answers]
    assert values == pytest.approx([values[0]] * 3)


def test_a_laser_is_asked_line_by_line_with_what_leaves_it_beside(officer, laser):
    body = shown(ask(officer, "eyewear", {"laser": laser.pk}))
    told = {(one["fired_nm"], one["wavelength_nm"]) for one in body["results"]}
    assert told == {(532, 532.0), (532, 1064.0), (1064, 1064.0)}
    for one in body["results"]:
        assert (one["energy_j"], one["diameter_mm"], one["rate_hz"]) == (1.0, 2.0, 10.0)
    assert "worst-of-line" in {one["id"] for one in body["basis"]}


def test_a_line_beyond_the_tables_is_told_and_a_laser_of_such_alone_refused(officer):
    model = make_laser_model(officer.staff.chain, lines_nm=[])
    make_line(model, 2940)
    laser = make_laser(make_clinic(officer.staff.chain), laser_model=model)
    refused = assert_problem(ask(officer, "eyewear", {"laser": laser.pk}), 422, "outside_tables")
    assert refused["outside_tables"][0]["wavelength_nm"] == 2940
    make_line(model, 1064)
    body = shown(ask(officer, "eyewear", {"laser": laser.pk}))
    assert [one["wavelength_nm"] for one in body["outside_tables"]] == [2940]
    assert [one["wavelength_nm"] for one in body["results"]] == [1064.0]


@pytest.mark.parametrize("which", ADDRESSES)
@pytest.mark.parametrize(
    ("changes", "status", "code", "wrong"),
    [
        ({"wavelength_nm": 0}, 400, "invalid", {"/wavelength_nm": "positive"}),
        ({"wavelength_nm": -532}, 400, "invalid", {"/wavelength_nm": "positive"}),
        ({"wavelength_nm": 399}, 422, "outside_tables", {"/wavelength_nm": "outside_tables"}),
        ({"wavelength_nm": 2940}, 422, "outside_tables", {"/wavelength_nm": "outside_tables"}),
        ({"pulse_duration_unit": "ps"}, 422, "outside_tables",
         {"/pulse_duration": "outside_tables"}),
        ({"pulse_duration_unit": "s", "rate_hz": 0.01, "pulse_duration": 11}, 422, "outside_tables",
         {"/pulse_duration": "outside_tables"}),
        ({"exposure_s": 100}, 422, "outside_tables", {"/exposure_s": "outside_tables"}),
        ({"pulse_duration_unit": "min"}, 400, "invalid",
         {"/pulse_duration_unit": "invalid_choice"}),
        ({"limit_set": ["EU2006", "IEC2014"]}, 400, "invalid", {"/limit_set": "mixed"}),
        ({"limit_set": "EU2006+IEC2014"}, 400, "invalid", {"/limit_set": "mixed"}),
        ({"limit_set": "ICNIRP1966"}, 400, "invalid", {"/limit_set": "invalid_choice"}),
        ({"pulse_duration": "six"}, 400, "invalid", {"/pulse_duration": "number"}),
        ({"pulse_duration": True}, 400, "invalid", {"/pulse_duration": "number"}),
        ({"wave_length": 532}, 400, "invalid", {"/wave_length": "unknown"}),
        ({"rate_hz": 1e6, "pulse_duration_unit": "us"}, 400, "quantity_malformed",
         {"/rate_hz": "pulses-overlap"}),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(officer, which, changes, status, code, wrong):
    problem = assert_problem(ask(officer, which, **changes), status, code)
    assert pointers(problem) == wrong


@pytest.mark.parametrize("which", ADDRESSES)
@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_none_are_refused(officer, which, number):
    text = json.dumps({**ADDRESSES[which], "wavelength_nm": "x"}).replace('"x"', number)
    answer = officer.client.post(
        f"/api/v1/calculators/{which}", text, content_type="application/json"
    )
    assert_problem(answer, 400)


@pytest.mark.parametrize("which", ADDRESSES)
def test_a_beam_or_a_laser_and_all_of_it(officer, which, laser):
    assert_problem(ask(officer, which, laser=laser.pk), 400, "invalid")
    nothing = {"divergence_mrad": 2} if which == "hazard-distance" else {"source_mrad": 2}
    assert "/wavelength_nm" in pointers(assert_problem(ask(officer, which, nothing), 400))


def test_the_laser_of_another_chain_is_none(officer):
    stranger = make_laser()
    problem = assert_problem(ask(officer, "eyewear", {"laser": stranger.pk}), 400, "invalid")
    assert pointers(problem) == {"/laser": "does_not_exist"}


@pytest.mark.parametrize("which", ADDRESSES)
def test_everyone_signed_in_may_ask(which):
    assert ask(sign_in(Role.FRONT_DESK), which).status_code == 200
    assert_problem(ask(anonymous(), which), 401)
