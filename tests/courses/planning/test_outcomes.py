"""Outcomes from the records: clearance over time, reactions with exact intervals."""

from datetime import timedelta

import pytest
from scipy.stats import binomtest

from clinics.vocabulary import Role
from courses.vocabulary import InkColour, SkinResponse, Technique
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.courses import (
    NOW,
    make_grade,
    make_observation,
    make_session,
    make_tattoo,
    make_ward,
)
from tests.support.factories import make_clinic

pytestmark = pytest.mark.django_db

TWO = (
    (InkColour.BLACK, Technique.OUTLINE, 0.6),
    (InkColour.RED, Technique.SOLID_FILL, 0.4),
)
PATH = "/outcomes/reactions"


def day(weeks_ago):
    return (NOW - timedelta(weeks=weeks_ago)).date()


class TestClearance:
    def test_each_part_grade_by_grade_with_its_own_sessions(self):
        ward = make_ward(parts=TWO)
        black, red = ward.parts
        make_session(ward, NOW - timedelta(weeks=24))
        make_session(ward, NOW - timedelta(weeks=16), parts=[black])
        first = make_grade(black, day(18), low=0.25, high=0.5)
        make_grade(black, day(8), low=0.75, high=0.95)
        make_grade(red, day(8), low=0, high=0.25)
        path = f"/courses/{ward.course.pk}/clearance"
        shown = ward.caller(Role.TREATING_CLINICIAN).get(path).json()
        (tattoo,) = shown["tattoos"]
        assert tattoo["treated_on"] == [day(24).isoformat(), day(16).isoformat()]
        parts = {part["colour"]: part for part in tattoo["parts"]}
        assert [point["sessions"] for point in parts["black"]["points"]] == [1, 2]
        assert parts["black"]["points"][0]["clearance_grade"] == first.pk
        assert parts["black"]["sessions_to_success"] == 2
        assert parts["black"]["sessions_to_clear"] is None
        assert [point["sessions"] for point in parts["red"]["points"]] == [1]
        assert shown["basis"]
        assert shown["caution"]

    def test_parts_without_grades_are_there_too(self, ward, clinician):
        (tattoo,) = clinician.get(f"/courses/{ward.course.pk}/clearance").json()["tattoos"]
        assert [part["points"] for part in tattoo["parts"]] == [[]]

    def test_queries_do_not_grow_and_other_chains_see_nothing(self, ward, clinician):
        path = f"/courses/{ward.course.pk}/clearance"
        make_session(ward, NOW - timedelta(weeks=50))
        make_grade(ward.part, day(8))
        few = queries_of(clinician, path)
        for n in range(3):
            make_session(ward, NOW - timedelta(weeks=40 - n))
            make_grade(ward.part, day(7 - n))
            ward.course.tattoos.add(make_tattoo(ward.course.patient, parts=TWO))
        assert queries_of(clinician, path) == few
        assert_problem(sign_in(Role.TREATING_CLINICIAN).get(path), 404)


def rates(caller, **query):
    response = caller.get(PATH, **query)
    assert response.status_code == 200, response.json()
    return response.json()


def of(table, reaction, **cell):
    (row,) = [
        row
        for row in table["rates"]
        if row["reaction"] == reaction and all(row[name] == cell[name] for name in cell)
    ]
    return row


class TestReactions:
    def test_rates_with_exact_intervals_beside_the_published_bands(self, ward, clinician):
        for n in range(4):
            other = make_ward(clinic=ward.clinic, patient={"skin_type": 5})
            session = make_session(other)
            if n == 0:
                make_observation(session, kind="hyperpigmentation")
        row = of(
            rates(clinician), "hyperpigmentation", wavelength_nm=1064, skin_type=5, colour="black"
        )
        assert (row["patients"], row["patients_with_reaction"]) == (4, 1)
        exact = binomtest(1, 4).proportion_ci(method="exact")
        assert (row["low"], row["high"]) == pytest.approx((exact.low, exact.high))
        (band,) = [b for b in row["published"] if b["id"] == "reaction.hyperpigmentation-1064"]
        assert (band["low"], band["high"], band["comparison"]) == (0.03, 0.088, "not_apart")
        assert band["source"]

    def test_a_patient_counts_once_in_a_row(self, ward, clinician):
        for weeks in (8, 16, 24):
            make_observation(make_session(ward, NOW - timedelta(weeks=weeks)), kind="blister")
        table = rates(clinician)
        row = of(table, "blister")
        assert (row["patients"], row["patients_with_reaction"], row["treatments"]) == (1, 1, 3)
        assert (table["sessions"], table["patients"]) == (3, 1)

    def test_what_the_skin_did_at_once_counts_too(self, ward, clinician):
        make_session(ward, responses=[SkinResponse.BLISTER, SkinResponse.WHEAL])
        table = rates(clinician)
        assert of(table, "blister")["patients_with_reaction"] == 1
        assert of(table, "allergy")["patients_with_reaction"] == 1

    def test_what_is_told_apart_can_be_chosen(self):
        ward = make_ward(parts=TWO)
        make_observation(make_session(ward), kind="blister")
        caller = ward.caller(Role.LASER_SAFETY_OFFICER)
        by_colour = rates(caller, by="colour", reaction="blister")
        assert {row["colour"] for row in by_colour["rates"]} == {"black", "red"}
        assert {row["skin_type"] for row in by_colour["rates"]} == {None}
        both = caller.client.get(f"/api/v1{PATH}?by=colour&by=wavelength&reaction=blister").json()
        assert {row["wavelength_nm"] for row in both["rates"]} == {1064}

    def test_days_clinics_and_errors_narrow_it(self, ward, clinician):
        make_session(ward, NOW - timedelta(weeks=8))
        make_session(ward, NOW - timedelta(weeks=20), status="entered-in-error")
        elsewhere = make_clinic(ward.chain)
        assert rates(clinician)["sessions"] == 1
        assert rates(clinician, treated_until=day(8).isoformat())["sessions"] == 0
        assert rates(clinician, treated_from=day(8).isoformat())["sessions"] == 1
        assert rates(clinician, clinic=elsewhere.pk)["sessions"] == 0

    def test_observations_in_error_and_other_findings_do_not_count(self, ward, clinician):
        session = make_session(ward)
        make_observation(session, kind="blister", status="entered-in-error")
        make_observation(session, kind="tan")
        table = rates(clinician)
        assert of(table, "blister")["patients_with_reaction"] == 0
        assert "tan" not in {row["reaction"] for row in table["rates"]}

    def test_nothing_treated_is_an_empty_table(self, clinician):
        assert rates(clinician)["rates"] == []

    def test_queries_do_not_grow(self, ward, clinician):
        make_observation(make_session(ward))
        few = queries_of(clinician, PATH)
        for n in range(5):
            other = make_ward(clinic=ward.clinic, parts=TWO, patient={"skin_type": 1 + n})
            make_observation(make_session(other), kind="blister")
        assert queries_of(clinician, PATH) == few

    @pytest.mark.parametrize(
        "query",
        [
            {"by": "weather"},
            {"reaction": "joy"},
            {"level": 1},
            {"treated_from": "last year"},
            {"clinic": "all"},
            {"clinic": 999_999},
            {"skin": 3},
        ],
    )
    def test_wrong_parameters_are_refused(self, clinician, query):
        assert_problem(clinician.get(PATH, **query), 400)

    def test_who_may(self, ward, desk, operator):
        make_session(ward)
        for caller in (desk, operator):
            assert_problem(caller.get(PATH), 403)
        assert rates(sign_in(Role.TREATING_CLINICIAN))["sessions"] == 0
