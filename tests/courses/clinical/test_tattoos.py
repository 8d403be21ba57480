"""Tattoos and their parts, clearance grades, and parts that are gone."""

from datetime import date, timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import ClearanceGrade, Observation, Tattoo, TattooPart
from courses.vocabulary import CourseGoal
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.courses import (
    NOW,
    make_grade,
    make_session,
    make_tattoo,
    make_ward,
    make_window,
)

pytestmark = pytest.mark.django_db


def tattoo_body(ward, **changes) -> dict:
    return {
        "patient": ward.course.patient_id,
        "site": "forearm",
        "area_cm2": 25,
        "ink_amount": "moderate",
        "parts": [
            {"colour": "black", "technique": "outline", "share": 0.7},
            {"colour": "red", "technique": "solid_fill", "share": 0.3},
        ],
        **changes,
    }


def parts_of(*shares: float) -> list[dict]:
    colours = ("black", "red", "green")
    return [
        {"colour": colour, "technique": "shading", "share": share}
        for colour, share in zip(colours, shares, strict=False)
    ]


class TestAssessment:
    def test_a_tattoo_comes_with_its_parts(self, ward, clinician):
        answer = clinician.post("/tattoos", tattoo_body(ward))
        assert answer.status_code == 201, answer.json()
        parts = answer.json()["parts"]
        assert [(one["colour"], one["share"]) for one in parts] == [("black", 0.7), ("red", 0.3)]

    @pytest.mark.parametrize("shares", [(0.5, 0.5), (1 / 3, 1 / 3, 1 / 3), (1.0000005,)])
    def test_shares_sum_to_one(self, ward, clinician, shares):
        shares = tuple(min(share, 1.0) for share in shares)
        answer = clinician.post("/tattoos", tattoo_body(ward, parts=parts_of(*shares)))
        assert answer.status_code == 201, answer.json()

    @pytest.mark.parametrize(
        ("parts", "pointer", "code"),
        [
            (parts_of(0.5, 0.499998), "/parts", "shares-sum"),
            (parts_of(0.6, 0.6), "/parts", "shares-sum"),
            ([*parts_of(0.5), *parts_of(0.5)], "/parts/1", "duplicate"),
            ([{**parts_of(1)[0], "colour": "mauve"}], "/parts/0/colour", "invalid_choice"),
            ([{**parts_of(1)[0], "technique": "stencil"}], "/parts/0/technique", "invalid_choice"),
            (parts_of(0), "/parts/0/share", "min_value"),
            ([], "/parts", "min_length"),
        ],
    )
    def test_parts_that_cannot_be_are_named(self, ward, clinician, parts, pointer, code):
        before = Tattoo.objects.count()
        problem = assert_problem(clinician.post("/tattoos", tattoo_body(ward, parts=parts)), 400)
        assert pointers(problem)[pointer] == code
        assert Tattoo.objects.count() == before

    @pytest.mark.parametrize("area", [0, 20_001])
    def test_an_area_no_body_has(self, ward, clinician, area):
        problem = assert_problem(clinician.post("/tattoos", tattoo_body(ward, area_cm2=area)), 400)
        assert "/area_cm2" in pointers(problem)

    def test_new_parts_replace_the_old_until_something_stands_on_them(self, ward, clinician):
        path = f"/tattoos/{ward.part.tattoo_id}"
        shown = clinician.patch(path, {"parts": parts_of(0.4, 0.6)}, version=clinician.etag(path))
        assert [one["colour"] for one in shown.json()["parts"]] == ["black", "red"]
        assert shown.json()["version"] == 2
        make_session(ward)
        answer = clinician.patch(path, {"parts": parts_of(1.0)}, version=clinician.etag(path))
        assert_problem(answer, 409, "tattoo_parts_in_use")
        assert TattooPart.objects.filter(tattoo=ward.part.tattoo_id).count() == 2

    @pytest.mark.parametrize("name", ["colour", "technique", "share"])
    def test_new_parts_are_given_whole(self, ward, clinician, name):
        path = f"/tattoos/{ward.part.tattoo_id}"
        [part] = parts_of(1.0)
        del part[name]
        answer = clinician.patch(path, {"parts": [part]}, version="*")
        assert pointers(assert_problem(answer, 400)) == {f"/parts/0/{name}": "required"}

    @pytest.mark.parametrize("role", [Role.FRONT_DESK, Role.LASER_OPERATOR, Role.CHAIN_MANAGER])
    def test_only_clinicians_assess(self, ward, role):
        assert_problem(ward.caller(role).post("/tattoos", tattoo_body(ward)), 403)

    def test_tattoos_of_another_chain_do_not_exist(self, ward):
        stranger = sign_in(Role.TREATING_CLINICIAN)
        path = f"/tattoos/{ward.part.tattoo_id}"
        assert_problem(stranger.get(path), 404)
        assert_problem(stranger.patch(path, {"palpable": True}, version="*"), 404)
        assert_problem(stranger.post(f"/tattoo-parts/{ward.part.pk}/clear"), 404)
        body = {"part": ward.part.pk, "graded_on": "2026-03-01", "low": 0, "high": 0.5}
        assert_problem(stranger.post("/clearance-grades", body), 400)

    def test_lists_cost_the_same_for_2_rows_as_for_12(self, ward, clinician):
        patient = ward.course.patient
        make_tattoo(patient)
        paths = ("/tattoos", "/tattoo-parts", "/clearance-grades")
        make_grade(ward.part, date(2026, 2, 1))
        make_grade(ward.part, date(2026, 2, 2))
        few = [queries_of(clinician, path) for path in paths]
        for day in range(10):
            make_tattoo(patient)
            make_grade(ward.part, date(2026, 1, 1 + day))
        assert [queries_of(clinician, path) for path in paths] == few


class TestGrades:
    @pytest.fixture
    def treated(self, ward):
        make_window(make_session(ward, NOW - timedelta(days=60)))
        return ward

    def grade(self, caller, ward, on: date, low: float, high: float, **more):
        body = {"part": ward.part.pk, "graded_on": on.isoformat(), "low": low, "high": high, **more}
        return caller.post("/clearance-grades", body)

    def test_a_band_is_kept(self, treated, operator):
        answer = self.grade(operator, treated, date(2026, 2, 20), 0.25, 0.5)
        assert answer.status_code == 201, answer.json()
        assert answer.json()["graded_by"] == operator.staff.pk

    def test_a_grade_of_a_scale_is_its_band(self, treated, operator):
        body = {
            "part": treated.part.pk,
            "graded_on": "2026-02-20",
            "scale": "quartiles_clear",
            "grade": 4,
        }
        shown = operator.post("/clearance-grades", body).json()
        assert (shown["low"], shown["high"]) == (0.75, 0.95)
        problem = assert_problem(
            operator.post("/clearance-grades", {**body, "grade": 9}), 422, "input_refused"
        )
        assert pointers(problem) == {"/grade": "grade-unknown"}

    @pytest.mark.parametrize(
        ("day", "rule"),
        [
            (-1, "grade-before-first-session"),
            (0, "grade-on-treatment-day"),
            (27, "grade-too-early"),
            (28, None),
        ],
    )
    def test_not_on_the_day_of_treatment_nor_for_28_days(self, treated, operator, day, rule):
        on = (NOW - timedelta(days=60)).date() + timedelta(days=day)
        answer = self.grade(operator, treated, on, 0.25, 0.5)
        if rule is None:
            assert answer.status_code == 201, answer.json()
            return
        assert pointers(assert_problem(answer, 422, "input_refused")) == {"/graded_on": rule}
        assert not ClearanceGrade.objects.exists()

    def test_clearance_does_not_fall(self, treated, operator):
        self.grade(operator, treated, date(2026, 2, 10), 0.5, 0.75)
        fell = self.grade(operator, treated, date(2026, 2, 20), 0.25, 0.5)
        problem = assert_problem(fell, 422, "input_refused")
        assert pointers(problem) == {"/low": "ink-never-comes-back"}
        earlier = self.grade(operator, treated, date(2026, 2, 5), 0.75, 0.95)
        assert_problem(earlier, 422, "input_refused")
        assert ClearanceGrade.objects.count() == 1

    def test_darkened_ink_may_and_holds_the_window(self, treated, operator):
        self.grade(operator, treated, date(2026, 2, 10), 0.5, 0.75)
        answer = self.grade(operator, treated, date(2026, 2, 20), 0.0, 0.25, darkened=True)
        assert answer.status_code == 201, answer.json()
        observation = Observation.objects.get()
        assert (observation.kind, observation.observed_on) == ("darkening", date(2026, 2, 20))
        assert observation.session.healing_window.state == "held"

    def test_one_grade_a_day(self, treated, operator):
        self.grade(operator, treated, date(2026, 2, 10), 0.5, 0.75)
        again = self.grade(operator, treated, date(2026, 2, 10), 0.5, 0.75)
        assert_problem(again, 409, "clearance_grade_taken")

    def test_a_band_runs_upwards(self, treated, operator):
        answer = self.grade(operator, treated, date(2026, 2, 10), 0.5, 0.25)
        assert pointers(assert_problem(answer, 400)) == {"/high": "band-ordered"}

    def test_corrected_and_removed_by_clinicians(self, treated, operator, clinician):
        pk = self.grade(operator, treated, date(2026, 2, 10), 0.5, 0.75).json()["id"]
        path = f"/clearance-grades/{pk}"
        change = {"low": 0.25, "high": 0.5}
        assert_problem(operator.patch(path, change, version="*"), 403)
        shown = clinician.patch(path, change, version=clinician.etag(path))
        assert (shown.status_code, shown.json()["low"]) == (200, 0.25)
        assert clinician.delete(path, version=clinician.etag(path)).status_code == 204
        assert not ClearanceGrade.objects.exists()


class TestClearing:
    def clear(self, caller, part):
        return caller.post(f"/tattoo-parts/{part.pk}/clear")

    def test_a_part_whose_grade_reaches_the_goal(self, ward, operator):
        make_session(ward)
        make_grade(ward.part, date(2026, 2, 20), low=0.95, high=1.0)
        shown = self.clear(operator, ward.part).json()
        assert shown["cleared_on"] == "2026-02-20"
        assert self.clear(operator, ward.part).json()["version"] == shown["version"]
        assert operator.post(f"/tattoo-parts/{ward.part.pk}/reopen").json()["cleared_on"] is None

    def test_not_one_that_does_not(self, ward, operator):
        assert_problem(self.clear(operator, ward.part), 422, "goal_not_reached")
        make_grade(ward.part, date(2026, 2, 20), low=0.75, high=0.95)
        problem = assert_problem(self.clear(operator, ward.part), 422, "goal_not_reached")
        assert problem["target_clearance"] == 0.95
        assert ward.part.cleared_on is None

    def test_to_lighten_is_reached_earlier(self):
        ward = make_ward()
        ward.course.goal, ward.course.target_clearance = CourseGoal.LIGHTEN, 0.6
        ward.course.save()
        make_grade(ward.part, date(2026, 2, 20), low=0.75, high=0.95)
        shown = self.clear(ward.caller(Role.LASER_OPERATOR), ward.part).json()
        assert shown["cleared_on"] == "2026-02-20"
