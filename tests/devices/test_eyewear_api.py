"""The inventory of eyewear: what is kept where, inspected when, changed by whom; and its policy."""

from datetime import date, timedelta

import pytest
from django.utils import timezone

from clinics.vocabulary import Role
from devices.models import AccompanyingEmission, Eyewear, EyewearPolicy
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.devices import make_eyewear, make_laser, make_laser_model
from tests.support.factories import make_clinic, make_room, number

pytestmark = pytest.mark.django_db

PAIR = {
    "kind": "pair",
    "densities": [{"low_nm": 850, "high_nm": 1100, "density": 7}],
    "marks": ["1064  d lb6 + ir lb8"],
}


@pytest.fixture
def clinic():
    return make_clinic()


@pytest.fixture
def officer(clinic):
    return sign_in(Role.LASER_SAFETY_OFFICER, clinic=clinic)


def add(caller, clinic, **changes):
    body = {"label": f"Green {number()}", "clinic": clinic.pk, **PAIR, **changes}
    return caller.post("/eyewear", body)


def test_added_with_its_mark_in_plain_form_and_not_counting_before_an_inspection(officer, clinic):
    answer = add(officer, clinic)
    assert answer.status_code == 201, answer.json()
    shown = answer.json()
    assert shown["marks"] == ["1064 D LB6 + IR LB8"]
    assert (shown["state"], shown["inspected_on"], shown["room"]) == ("in_use", None, None)
    assert officer.get(f"/eyewear/{shown['id']}").json() == shown


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"marks": ["1064 LB6"]}, {"/marks/0": "mark_unreadable"}),
        ({"marks": ["1064 D LB6", "D LB7"]}, {"/marks/1": "mark_unreadable"}),
        ({"marks": ["1064 D LB12"]}, {"/marks/0": "mark_unreadable"}),
        ({"densities": [], "marks": []}, {"/densities": "required"}),
        (
            {"densities": [{"low_nm": 1100, "high_nm": 850, "density": 7}]},
            {"/densities/0/high_nm": "order"},
        ),
    ],
)
def test_what_a_pair_cannot_say_is_refused(officer, clinic, changes, wrong):
    problem = assert_problem(add(officer, clinic, **changes), 400, "eyewear_malformed")
    assert pointers(problem) == wrong
    assert not Eyewear.objects.exists()


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"densities": [{"low_nm": 0, "high_nm": 9, "density": 7}]}, "/densities/0/low_nm"),
        ({"densities": [{"low_nm": 850, "high_nm": 900, "density": 0}]}, "/densities/0/density"),
        ({"densities": [{"low_nm": 850, "high_nm": 900, "density": 21}]}, "/densities/0/density"),
        ({"kind": "umbrella"}, "/kind"),
        ({"optical_density": 7}, "/optical_density"),
    ],
)
def test_values_that_make_no_sense_are_refused(officer, clinic, changes, wrong):
    assert wrong in pointers(assert_problem(add(officer, clinic, **changes), 400, "invalid"))


def test_shields_need_say_nothing(officer, clinic):
    answer = add(officer, clinic, kind="patient_shield", densities=[], marks=[])
    assert answer.status_code == 201, answer.json()


def test_a_label_stands_once_in_the_chain(officer, clinic):
    add(officer, clinic, label="Green one")
    assert_problem(add(officer, clinic, label="Green one"), 409, "label_taken")


def test_a_room_is_one_of_the_clinic(officer, clinic):
    elsewhere = make_room(make_clinic(clinic.chain))
    assert_problem(add(officer, clinic, room=elsewhere.pk), 422, "room_elsewhere")


def test_an_inspection_gives_date_state_and_who(officer, clinic):
    [pair] = make_eyewear(clinic, inspected_on=None)
    answer = officer.post(f"/eyewear/{pair.pk}/inspect", {"state": "damaged", "note": "scratch"})
    assert answer.status_code == 200, answer.json()
    pair.refresh_from_db()
    assert (pair.state, pair.note, pair.inspected_by) == ("damaged", "scratch", officer.staff)
    assert pair.inspected_on is not None


def test_nobody_inspects_tomorrow(officer, clinic):
    [pair] = make_eyewear(clinic)
    later = (timezone.now().date() + timedelta(days=2)).isoformat()
    body = {"state": "in_use", "inspected_on": later}
    assert_problem(officer.post(f"/eyewear/{pair.pk}/inspect", body), 400)
    assert_problem(add(officer, clinic, inspected_on=later), 400)


def test_moved_to_another_clinic_it_leaves_its_room(clinic):
    everywhere = sign_in(Role.LASER_SAFETY_OFFICER, chain=clinic.chain)
    [pair] = make_eyewear(clinic, room=make_room(clinic))
    other = make_clinic(clinic.chain)
    answer = everywhere.patch(f"/eyewear/{pair.pk}", {"clinic": other.pk}, version=1)
    assert (answer.json()["clinic"], answer.json()["room"]) == (other.pk, None)
    here = sign_in(Role.LASER_SAFETY_OFFICER, clinic=clinic)
    assert_problem(here.patch(f"/eyewear/{pair.pk}", {"label": "mine"}, version=2), 403)


def test_a_change_needs_the_version_that_was_read(officer, clinic):
    [pair] = make_eyewear(clinic)
    path = f"/eyewear/{pair.pk}"
    assert_problem(officer.patch(path, {"state": "withdrawn"}), 428)
    assert officer.patch(path, {"state": "withdrawn"}, version=1).json()["state"] == "withdrawn"
    assert_problem(officer.patch(path, {"state": "in_use"}, version=1), 412)


@pytest.mark.parametrize("role", [Role.FRONT_DESK, Role.LASER_OPERATOR, Role.TREATING_CLINICIAN])
def test_others_look_and_do_not_write(clinic, role):
    caller = sign_in(role, clinic=clinic)
    [pair] = make_eyewear(clinic)
    assert caller.get("/eyewear").status_code == 200
    assert_problem(add(caller, clinic), 403)
    assert_problem(caller.patch(f"/eyewear/{pair.pk}", {"state": "damaged"}, version=1), 403)
    assert_problem(caller.post(f"/eyewear/{pair.pk}/inspect", {"state": "in_use"}), 403)
    assert_problem(caller.patch("/eyewear-policy", {"at_session": "off"}, version=0), 403)


def test_another_chains_is_none(officer):
    [pair] = make_eyewear()
    assert_problem(officer.get(f"/eyewear/{pair.pk}"), 404)
    assert officer.get("/eyewear").json()["items"] == []


def test_the_list_costs_the_same_for_two_and_for_twelve(officer, clinic):
    make_eyewear(clinic, pairs=2)
    few = queries_of(officer, "/eyewear")
    make_eyewear(clinic, pairs=10, room=make_room(clinic))
    assert queries_of(officer, "/eyewear") == few


def test_a_list_by_place_and_state(officer, clinic):
    room = make_room(clinic)
    [here] = make_eyewear(clinic, room=room)
    make_eyewear(clinic, state="damaged")
    found = officer.get("/eyewear", room=room.pk, state="in_use").json()["items"]
    assert [one["id"] for one in found] == [here.pk]


def test_a_room_is_checked_for_every_line_of_a_laser(officer, clinic):
    room, laser = make_room(clinic), make_laser(clinic)
    make_eyewear(clinic, pairs=2, densities=[], marks=["1064 DIRM LB10"])
    answer = officer.post("/eyewear/check", {"room": room.pk, "laser": laser.pk})
    assert answer.status_code == 200, answer.json()
    told = answer.json()
    assert not told["enough"]
    assert [(one["wavelength_nm"], one["lacking_nm"]) for one in told["lacking"]] == [(532, [532])]
    assert "safety officer" in told["caution"]
    assert {one["id"] for one in told["basis"]} >= {"optical-density", "en-207-level"}
    more = {"room": room.pk, "laser": laser.pk, "wavelengths_nm": [1064]}
    assert officer.post("/eyewear/check", more).json()["enough"]
    assert not officer.post("/eyewear/check", {**more, "others_present": 1}).json()["enough"]


def test_what_would_fit_but_does_not_count_is_said(officer, clinic):
    room, laser = make_room(clinic), make_laser(clinic)
    [pair] = make_eyewear(clinic, inspected_on=date(2001, 1, 1))
    body = {"room": room.pk, "laser": laser.pk}
    [firing, _] = officer.post("/eyewear/check", body).json()["firings"]
    [held_up] = firing["do_not_count"]
    assert held_up["label"] == pair.label
    assert "2002-01-01" in held_up["reason"]


def test_the_policy_has_defaults_until_somebody_changes_them(clinic):
    officer = sign_in(Role.LASER_SAFETY_OFFICER, chain=clinic.chain)
    told = officer.get("/eyewear-policy").json()
    assert (told["version"], told["at_booking"], told["at_session"]) == (0, "warn", "refuse")
    assert (told["limit_set"], told["needs_levels"]) == ("LOWER", True)
    changed = officer.patch("/eyewear-policy", {"at_booking": "refuse"}, version=0)
    assert changed.status_code == 200, changed.json()
    assert (changed.json()["version"], changed.json()["at_session"]) == (1, "refuse")
    assert_problem(officer.patch("/eyewear-policy", {"margin": 1.25}, version=0), 412)
    again = officer.patch("/eyewear-policy", {"margin": 1.25}, version=1)
    assert (again.json()["version"], EyewearPolicy.objects.get().margin) == (2, 1.25)


@pytest.mark.parametrize(
    "changes",
    [{"at_session": "maybe"}, {"exposure_s": 11}, {"margin": 0.5}, {"limit_set": "BOTH"}],
)
def test_a_policy_that_makes_no_sense_is_refused(clinic, changes):
    officer = sign_in(Role.LASER_SAFETY_OFFICER, chain=clinic.chain)
    assert_problem(officer.patch("/eyewear-policy", changes, version=0), 400, "invalid")
    assert not EyewearPolicy.objects.exists()


def test_the_policy_is_the_whole_chains(clinic):
    here = sign_in(Role.LASER_SAFETY_OFFICER, clinic=clinic)
    assert_problem(here.patch("/eyewear-policy", {"at_session": "off"}, version=0), 403)


def test_what_leaves_a_laser_with_a_line(officer, clinic):
    line = make_laser_model(clinic.chain, lines_nm=[1064]).lines.get()
    body = {"line": line.pk, "wavelength_nm": 808, "max_energy_j": 0.05}
    made = officer.post("/accompanying-emissions", body)
    assert made.status_code == 201, made.json()
    assert_problem(
        officer.post("/accompanying-emissions", body), 409, "accompanying_emission_taken"
    )
    itself = officer.post("/accompanying-emissions", {**body, "wavelength_nm": 1064})
    assert_problem(itself, 400, "eyewear_malformed")
    path = f"/accompanying-emissions/{made.json()['id']}"
    assert officer.delete(path, version=1).status_code == 204
    assert not AccompanyingEmission.objects.exists()


@pytest.mark.parametrize("name", ["low_nm", "high_nm", "density"])
def test_new_densities_are_given_whole(officer, clinic, name):
    [pair] = make_eyewear(clinic)
    [density] = PAIR["densities"]
    told = {key: value for key, value in density.items() if key != name}
    answer = officer.patch(f"/eyewear/{pair.pk}", {"densities": [told]}, version=1)
    assert pointers(assert_problem(answer, 400)) == {f"/densities/0/{name}": "required"}
