"""Laser models, their lines, and the credentials narrowed to them."""

import pytest

from clinics.vocabulary import Role
from devices.models import EmissionLine, LaserAuthorisation, LaserModel
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.devices import (
    make_fitted_handpiece,
    make_handpiece,
    make_laser,
    make_laser_model,
    make_pulse_entry,
)
from tests.support.factories import make_credential, make_staff, now

pytestmark = pytest.mark.django_db

LINE = {
    "wavelength_nm": 755,
    "pulse_min_ns": 0.55,
    "pulse_max_ns": 0.75,
    "spot_sizes_mm": [3, 2.5, 4],
    "max_energy_j": 0.2,
    "max_rate_hz": 10,
}


@pytest.fixture
def officer():
    return sign_in(Role.LASER_SAFETY_OFFICER)


@pytest.fixture
def model(officer):
    return make_laser_model(officer.staff.chain)


def test_a_model_is_shown_with_the_lines_added_to_it(officer):
    created = officer.post("/laser-models", {"name": "Heron 3"})
    assert created.status_code == 201
    pk = created.json()["id"]
    line = officer.post("/emission-lines", {"laser_model": pk, **LINE})
    assert line.status_code == 201, line.json()
    assert line.json()["spot_sizes_mm"] == [2.5, 3.0, 4.0]
    shown = officer.get(f"/laser-models/{pk}")
    assert shown.json()["lines"] == [line.json()]
    assert shown.headers["ETag"].startswith('"1-')


def test_a_name_is_taken_once(officer, model):
    problem = officer.post("/laser-models", {"name": model.name})
    assert_problem(problem, 409, "laser_model_name_taken")
    assert LaserModel.objects.count() == 1


def test_a_rename_needs_the_version_it_means(officer, model):
    path = f"/laser-models/{model.pk}"
    assert_problem(officer.patch(path, {"name": "Heron 4"}), 428)
    assert officer.patch(path, {"name": "Heron 4"}, version=1).json()["name"] == "Heron 4"
    assert_problem(officer.patch(path, {"name": "Heron 5"}, version=1), 412)


@pytest.mark.parametrize(
    ("field", "value", "code"),
    [
        ("wavelength_nm", 0, "min_value"),
        ("wavelength_nm", -1064, "min_value"),
        ("wavelength_nm", 1064.5, "number"),
        ("wavelength_nm", True, "number"),
        ("pulse_min_ns", 0, "positive"),
        ("pulse_min_ns", "6 ns", "number"),
        ("pulse_max_ns", 1e30, "max_value"),
        ("spot_sizes_mm", [], "min_length"),
        ("max_energy_j", -1, "positive"),
        ("max_rate_hz", 0, "positive"),
        ("max_rate_hz", "NaN", "number"),
    ],
)
def test_an_impossible_line_is_refused_and_nothing_stored(officer, model, field, value, code):
    before = EmissionLine.objects.count()
    answer = officer.post("/emission-lines", {"laser_model": model.pk, **LINE, field: value})
    problem = assert_problem(answer, 400)
    assert pointers(problem) == {f"/{field}": code}
    assert EmissionLine.objects.count() == before


def test_a_spot_of_nothing_is_named_by_its_place(officer, model):
    answer = officer.post(
        "/emission-lines", {"laser_model": model.pk, **LINE, "spot_sizes_mm": [3, 0]}
    )
    assert pointers(assert_problem(answer, 400)) == {"/spot_sizes_mm/1": "positive"}


def test_pulse_durations_go_upwards(officer, model):
    body = {"laser_model": model.pk, **LINE, "pulse_max_ns": 0.5}
    assert_problem(officer.post("/emission-lines", body), 400, "lines_malformed")


def test_one_line_of_a_wavelength_and_duration(officer, model):
    body = {"laser_model": model.pk, **LINE}
    assert officer.post("/emission-lines", body).status_code == 201
    assert_problem(officer.post("/emission-lines", body), 409, "emission_line_taken")


def test_limits_change_but_not_what_handpieces_stand_on(officer, model):
    line = model.lines.get(wavelength_nm=1064)
    path = f"/emission-lines/{line.pk}"
    handpiece = make_handpiece(model)
    changed = officer.patch(path, {"max_energy_j": 0.8}, version=1)
    assert changed.json()["max_energy_j"] == 0.8
    problem = assert_problem(officer.patch(path, {"wavelength_nm": 755}, version=2), 409)
    assert problem["used_by"] == ["handpieces"]
    handpiece.lines.clear()
    assert officer.patch(path, {"wavelength_nm": 755}, version=2).status_code == 200


def test_a_spot_stays_while_a_handpiece_has_it_through_this_line_alone(officer, model):
    handpiece = make_handpiece(model, spot_sizes_mm=[2.0])
    line = model.lines.get(wavelength_nm=1064)
    path = f"/emission-lines/{line.pk}"
    assert officer.patch(path, {"spot_sizes_mm": [3]}, version=1).status_code == 200
    handpiece.lines.set([model.lines.get(wavelength_nm=532)])
    other = f"/emission-lines/{model.lines.get(wavelength_nm=532).pk}"
    problem = assert_problem(officer.patch(other, {"spot_sizes_mm": [3]}, version=1), 409)
    assert problem["spot_sizes_mm"] == [2.0]


def test_a_change_of_nothing_changes_nothing(officer, model):
    answer = officer.patch(f"/emission-lines/{model.lines.first().pk}", {}, version=1)
    assert (answer.status_code, answer.json()["version"]) == (200, 1)


def test_what_others_stand_on_is_not_removed(officer, model):
    laser = make_laser(laser_model=model)
    handpiece = make_fitted_handpiece(laser)
    line = handpiece.lines.first()
    make_pulse_entry(laser, handpiece, line=line, fired_at=now())
    assert_problem(officer.delete(f"/laser-models/{model.pk}", version=1), 409, "device_in_use")
    problem = officer.delete(f"/emission-lines/{line.pk}", version=1)
    assert assert_problem(problem, 409)["used_by"] == ["handpieces", "pulse_entries"]


def test_a_model_nothing_stands_on_is_removed_with_its_lines(officer, model):
    assert officer.delete(f"/laser-models/{model.pk}", version=1).status_code == 204
    assert not EmissionLine.objects.exists()


def test_models_are_found_by_wavelength(officer, model):
    make_laser_model(officer.staff.chain, lines_nm=[755])
    found = officer.get("/laser-models", wavelength_nm=755).json()["items"]
    assert [line["wavelength_nm"] for line in found[0]["lines"]] == [755]
    assert len(found) == 1
    assert_problem(officer.get("/laser-models", wavelength="755"), 400, "parameter_unknown")
    assert_problem(officer.get("/laser-models", wavelength_nm="75.5"), 400, "parameter_invalid")


def test_a_credential_is_narrowed_to_models_and_never_widened_by_removal(officer, model):
    credential = make_credential(make_staff(officer.staff.chain))
    body = {"credential": credential.pk, "laser_model": model.pk}
    first = officer.post("/laser-authorisations", body)
    assert first.status_code == 201
    assert_problem(officer.post("/laser-authorisations", body), 409, "laser_authorisation_taken")
    path = f"/laser-authorisations/{first.json()['id']}"
    assert_problem(officer.delete(path), 409, "device_in_use")
    other = make_laser_model(officer.staff.chain)
    officer.post("/laser-authorisations", {**body, "laser_model": other.pk})
    assert officer.delete(path).status_code == 204
    assert LaserAuthorisation.objects.get().laser_model == other


def test_another_chains_credential_or_model_does_not_exist(officer, model):
    stranger = make_laser_model()
    own = make_credential(make_staff(officer.staff.chain))
    theirs = make_credential(make_staff(stranger.chain))
    answer = officer.post(
        "/laser-authorisations", {"credential": theirs.pk, "laser_model": stranger.pk}
    )
    assert set(pointers(assert_problem(answer, 400))) == {"/credential", "/laser_model"}
    answer = officer.post(
        "/laser-authorisations", {"credential": own.pk, "laser_model": stranger.pk}
    )
    assert set(pointers(assert_problem(answer, 400))) == {"/laser_model"}
