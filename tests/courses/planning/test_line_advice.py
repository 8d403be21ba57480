"""Lines ranked for ink and skin: on the chain's own lasers, and for plain inputs."""

from datetime import date

import pytest

from clinics.vocabulary import Role
from courses.vocabulary import InkColour, Technique
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.courses import make_tattoo, make_ward
from tests.support.devices import make_laser, make_line, make_lock_out
from tests.support.factories import make_clinic

pytestmark = pytest.mark.django_db

PATH = "/calculators/line-advice"
MULTI = (
    (InkColour.BLACK, Technique.OUTLINE, 0.5),
    (InkColour.RED, Technique.SOLID_FILL, 0.3),
    (InkColour.GREEN, Technique.SHADING, 0.2),
)
YAG = {"wavelength_nm": 1064, "pulse_min_ns": 6, "pulse_max_ns": 10}
DOUBLED = {"wavelength_nm": 532, "pulse_min_ns": 6, "pulse_max_ns": 10}
ALEX = {"wavelength_nm": 755, "pulse_min_ns": 50, "pulse_max_ns": 100}
RUBY = {"wavelength_nm": 694, "pulse_min_ns": 20, "pulse_max_ns": 40}
LONG = {"wavelength_nm": 1064, "pulse_min_ns": 1e6, "pulse_max_ns": 2e7}


def advice(caller, ward, **query):
    response = caller.get(f"/courses/{ward.course.pk}/line-advice", **query)
    assert response.status_code == 200, response.json()
    return response.json()


class TestCourse:
    def test_the_chains_lines_are_ranked_clinic_by_clinic(self):
        ward = make_ward(parts=MULTI)
        other = make_clinic(ward.chain)
        second = make_laser(other)
        make_line(second.laser_model, wavelength_nm=755, pulse_min_ns=50, pulse_max_ns=100)
        answer = advice(ward.caller(Role.LASER_OPERATOR), ward)
        by_clinic = {one["clinic"]: one for one in answer["clinics"]}
        assert set(by_clinic) == {ward.clinic.pk, other.pk}
        assert by_clinic[other.pk]["uncovered"] == answer["uncovered"] == []
        lines = {line["wavelength_nm"]: line for line in by_clinic[other.pk]["lines"]}
        assert [laser["laser"] for laser in lines[755]["lasers"]] == [second.pk]
        grades = {fit["colour"]: fit["grade"] for fit in lines[755]["fits"]}
        assert (grades["black"], grades["green"]) == ("works", "first_choice")
        assert [line["rank"] for line in by_clinic[other.pk]["lines"]] == [1, 2, 3]
        assert answer["basis"]
        assert answer["caution"]

    def test_a_colour_that_no_laser_of_a_clinic_acts_on_is_named(self):
        ward = make_ward(parts=MULTI)
        ward.laser.laser_model.lines.filter(wavelength_nm=532).delete()
        (clinic,) = advice(ward.caller(Role.LASER_OPERATOR), ward)["clinics"]
        assert "red" in clinic["uncovered"]

    def test_a_part_that_is_gone_needs_no_line(self):
        ward = make_ward(parts=MULTI)
        for part in ward.parts[1:]:
            part.cleared_on = date(2026, 2, 1)
            part.save()
        answer = advice(ward.caller(Role.LASER_OPERATOR), ward)
        assert [(need["colour"], need["share"]) for need in answer["needs"]] == [("black", 1.0)]

    def test_1064_comes_first_for_darker_skin(self):
        ward = make_ward(parts=MULTI, patient={"skin_type": 5})
        lines = advice(ward.caller(Role.LASER_OPERATOR), ward)["clinics"][0]["lines"]
        assert lines[0]["wavelength_nm"] == 1064
        assert any("1064 nm comes first" in reason for reason in lines[0]["reasons"])
        assert lines[1]["test_spot"] is True

    def test_a_tan_counts_as_one_type_more(self):
        ward = make_ward(parts=MULTI, patient={"skin_type": 3})
        caller = ward.caller(Role.LASER_OPERATOR)
        assert advice(caller, ward)["skin_type"] == 3
        assert advice(caller, ward, tanned="true")["skin_type"] == 4

    def test_a_millisecond_line_is_refused_with_its_numbers(self, ward, clinician):
        make_line(ward.laser.laser_model, wavelength_nm=810, pulse_min_ns=1e6, pulse_max_ns=4e7)
        lines = advice(clinician, ward)["clinics"][0]["lines"]
        refused = next(line for line in lines if line["wavelength_nm"] == 810)
        assert refused["refused"] is True
        assert refused["serves"] == []
        assert refused["rank"] == len(lines)
        assert refused["pulse"]["pulse_ns"] == 1e6
        assert refused["pulse"]["times_clump"] > 1000
        assert "scars" in refused["reasons"][0]

    def test_white_ink_has_no_line_but_a_test_spot(self):
        ward = make_ward(parts=((InkColour.WHITE, Technique.SOLID_FILL, 1.0),))
        answer = advice(ward.caller(Role.TREATING_CLINICIAN), ward)
        assert answer["uncovered"] == ["white"]
        assert answer["test_spot"] is True
        assert "darkening" in {caution["code"] for caution in answer["needs"][0]["cautions"]}

    def test_a_laser_that_is_locked_out_is_marked(self, ward, clinician):
        make_lock_out(ward.laser)
        lasers = advice(clinician, ward)["clinics"][0]["lines"][0]["lasers"]
        assert [laser["locked_out"] for laser in lasers] == [True]

    def test_lasers_out_of_service_are_left_out(self, ward, clinician):
        ward.laser.status = "inactive"
        ward.laser.save()
        assert advice(clinician, ward)["clinics"] == []

    def test_when_all_is_gone_there_is_nothing_to_rank(self, ward, clinician):
        part = ward.part
        part.cleared_on = date(2026, 2, 1)
        part.save()
        answer = clinician.get(f"/courses/{ward.course.pk}/line-advice")
        assert_problem(answer, 422, "nothing_to_treat")

    def test_queries_do_not_grow(self, ward, clinician):
        path = f"/courses/{ward.course.pk}/line-advice"
        few = queries_of(clinician, path)
        for _ in range(3):
            ward.course.tattoos.add(make_tattoo(ward.course.patient, parts=MULTI))
            make_laser(make_clinic(ward.chain))
        assert queries_of(clinician, path) == few

    def test_who_may_and_what_is_refused(self, ward, clinician):
        path = f"/courses/{ward.course.pk}/line-advice"
        assert_problem(sign_in(Role.TREATING_CLINICIAN).get(path), 404)
        assert_problem(clinician.get(path, tanned="perhaps"), 400, "parameter_invalid")
        assert_problem(clinician.get(path, skin=3), 400, "parameter_unknown")


class TestCalculator:
    @pytest.fixture
    def caller(self, db):
        return sign_in(Role.INTEGRATOR)

    def ranked(self, caller, *lines, colour="black", skin_type=2):
        body = {
            "skin_type": skin_type,
            "parts": [{"colour": colour, "share": 1}],
            "lines": list(lines),
        }
        response = caller.post(PATH, body)
        assert response.status_code == 200, response.json()
        return response.json()

    def test_given_lines_are_ranked(self, caller):
        answer = self.ranked(caller, DOUBLED, YAG, LONG)
        assert [line["wavelength_nm"] for line in answer["lines"]] == [1064, 532, 1064]
        assert [line["refused"] for line in answer["lines"]] == [False, False, True]
        assert answer["clinics"] == []

    def test_red_under_532_aims_at_a_faint_haze(self, caller):
        (line,) = self.ranked(caller, DOUBLED, colour="red")["lines"]
        assert any("faint haze" in reason for reason in line["reasons"])

    def test_green_under_694_blisters_even_at_the_lowest_setting(self, caller):
        (line,) = self.ranked(caller, RUBY, colour="green")["lines"]
        assert any("lowest setting" in reason for reason in line["reasons"])

    def test_green_on_darker_skin_asks_for_a_physician_and_a_test_spot(self, caller):
        (line,) = self.ranked(caller, ALEX, colour="green", skin_type=6)["lines"]
        assert (line["test_spot"], line["clinician"]) == (True, True)

    def test_permanent_make_up_may_darken(self, caller):
        body = {"skin_type": 2, "parts": [{"colour": "brown", "share": 1, "cosmetic": True}]}
        answer = caller.post(PATH, body).json()
        assert "darkening" in str(answer["needs"])

    @pytest.mark.parametrize(
        ("changes", "status", "pointer", "rule"),
        [
            ({"skin_type": 7}, 400, "/skin_type", "invalid_choice"),
            ({"parts": []}, 400, "/parts", "min_length"),
            (
                {"parts": [{"colour": "mauve", "share": 1}]},
                400,
                "/parts/0/colour",
                "invalid_choice",
            ),
            ({"parts": [{"colour": "red", "share": 0.7}]}, 422, "/parts", "shares-sum"),
            ({"parts": [{"colour": "red", "share": 1.7}]}, 422, "/parts", "share-range"),
            ({"lines": [{**YAG, "pulse_min_ns": 20}]}, 422, "/lines/0/pulse_min_ns", "pulse-range"),
            ({"lines": [{**YAG, "wavelength_nm": 0}]}, 400, "/lines/0/wavelength_nm", "min_value"),
        ],
    )
    def test_bad_input_names_field_and_rule(self, caller, changes, status, pointer, rule):
        body = {"skin_type": 2, "parts": [{"colour": "red", "share": 1}], **changes}
        problem = assert_problem(caller.post(PATH, body), status)
        assert pointers(problem)[pointer] == rule
