"""The estimate of a course from its records."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clinics.vocabulary import Role
from courses.selectors.estimation.courses import course_estimate, course_estimates
from courses.selectors.plans import Technique
from courses.vocabulary import InkColour, SkinResponse
from courses.vocabulary import Technique as How
from tests.support.api import assert_problem, sign_in
from tests.support.courses import (
    NOW,
    make_appointment,
    make_course,
    make_grade,
    make_observation,
    make_session,
    make_tattoo,
    make_ward,
    make_window,
)
from tests.support.factories import make_actor

BLACK_AND_RED = (
    (InkColour.BLACK, How.OUTLINE, 0.5),
    (InkColour.BLACK, How.SHADING, 0.3),
    (InkColour.RED, How.SOLID_FILL, 0.2),
)


def shown(caller, ward, **query):
    response = caller.get(f"/courses/{ward.course.pk}/estimate", **query)
    assert response.status_code == 200, response.json()
    return response.json()


def treated(ward, *, weeks_ago, **fields):
    return make_session(ward, NOW - timedelta(weeks=weeks_ago), **fields)


def graded(part, *, weeks_ago, low, high, **fields):
    return make_grade(part, (NOW - timedelta(weeks=weeks_ago)).date(), low=low, high=high, **fields)


class TestAnswer:
    def test_before_any_session(self, ward, clinician):
        answer = shown(clinician, ward)
        (tattoo,) = answer["tattoos"]
        points = {p["parameter"]: p["points"] for p in tattoo["scale"]["parameters"]}
        assert points == {
            "skin_type": 2,
            "location": 4,
            "colour": 1,
            "ink_amount": 3,
            "scarring": 0,
            "layering": 0,
        }
        assert (answer["sessions_done"], answer["goal"]) == (0, "clear")
        assert answer["remaining"] == answer["total"] == tattoo["assessed"]
        assert answer["governed_by"] == tattoo["tattoo"]
        assert answer["calendar"]["next_on"] == NOW.date().isoformat()
        assert "no-grades" in {note["id"] for note in tattoo["notes"]}
        assert {basis["id"] for basis in answer["basis"]} >= {"healing.base", "healing.advised"}
        assert answer["caution"]

    def test_sessions_and_grades_move_it(self, clinician, ward):
        before = shown(clinician, ward)
        treated(ward, weeks_ago=16)
        treated(ward, weeks_ago=8)
        graded(ward.part, weeks_ago=1, low=0.75, high=0.95)
        after = shown(clinician, ward)
        assert after["sessions_done"] == 2
        assert after["remaining"]["p50"] < before["remaining"]["p50"] - 2
        assert after["total"]["p50"] == after["remaining"]["p50"] + 2
        (part,) = after["tattoos"][0]["parts"]
        assert 0.5 < part["clearance"]["p50"] < part["clearance"]["p90"] < 0.95

    def test_a_lagging_outline_is_ink_volume_unless_it_blistered(self, clinician):
        ward = make_ward(parts=BLACK_AND_RED)
        outline, shade, _ = ward.parts
        session = treated(ward, weeks_ago=8)
        graded(outline, weeks_ago=1, low=0, high=0.25)
        graded(shade, weeks_ago=1, low=0.5, high=0.75)
        caller = ward.caller(Role.TREATING_CLINICIAN)
        notes = {note["id"]: note for note in shown(caller, ward)["tattoos"][0]["notes"]}
        assert notes["lagging-outline"]["text"].startswith("black outline lags")
        make_observation(session, kind="blister")
        ids = {note["id"] for note in shown(caller, ward)["tattoos"][0]["notes"]}
        assert "lagging-outline-with-reaction" in ids

    def test_the_tattoo_that_takes_longest_governs(self, ward, clinician):
        alone = shown(clinician, ward)
        heavy = make_tattoo(
            ward.course.patient, site="foot", ink_amount="significant", layered=True
        )
        ward.course.tattoos.add(heavy)
        both = shown(clinician, ward)
        assert both["governed_by"] == heavy.pk
        assert both["remaining"]["p50"] > alone["remaining"]["p50"]
        assert both["calendar"]["earliest_interval_days"] == 56

    def test_a_part_that_is_gone_drops_out(self, clinician):
        ward = make_ward(parts=BLACK_AND_RED)
        red = ward.parts[2]
        red.cleared_on = date(2026, 2, 20)
        red.save()
        (tattoo,) = shown(ward.caller(Role.TREATING_CLINICIAN), ward)["tattoos"]
        assert [part["remaining"] is None for part in tattoo["parts"]] == [False, False, True]

    def test_earlier_courses_of_the_tattoo_count_for_it_but_not_as_sessions_of_this_one(
        self, ward, clinician
    ):
        earlier = make_course(ward.part.tattoo, status="revoked", end_reason="moved_away")
        treated(ward, weeks_ago=50, course=earlier)
        answer = shown(clinician, ward)
        assert answer["sessions_done"] == 0
        assert answer["tattoos"][0]["sessions_done"] == 1

    def test_the_goal_to_lighten(self, ward, clinician):
        clear = shown(clinician, ward)
        ward.course.goal, ward.course.target_clearance = "lighten", 0.5
        ward.course.save()
        answer = shown(clinician, ward)
        assert answer["target_clearance"] == 0.5
        assert answer["total"]["p50"] < clear["total"]["p50"]


class TestDarkening:
    def test_ink_that_darkened_is_reckoned_anew(self, ward, clinician):
        treated(ward, weeks_ago=16)
        graded(ward.part, weeks_ago=9, low=0.5, high=0.75)
        before = shown(clinician, ward)
        second = treated(ward, weeks_ago=8)
        make_observation(second, kind="darkening", observed_on=second.treated_on)
        after = shown(clinician, ward)
        assert "darkened" in {note["id"] for note in after["tattoos"][0]["notes"]}
        assert after["remaining"]["p50"] > before["remaining"]["p50"]

    def test_a_grade_says_which_part_darkened(self, clinician):
        ward = make_ward(parts=BLACK_AND_RED)
        session = treated(ward, weeks_ago=8)
        seen = graded(ward.parts[2], weeks_ago=2, low=0, high=0.25, darkened=True)
        make_observation(session, kind="darkening", observed_on=seen.graded_on)
        caller = ward.caller(Role.TREATING_CLINICIAN)
        notes = shown(caller, ward)["tattoos"][0]["notes"]
        assert [n["part"] for n in notes if n["id"] == "darkened"] == ["red solid fill"]

    def test_a_response_during_a_pass_counts(self, ward, clinician):
        treated(ward, weeks_ago=8, responses=[SkinResponse.DARKENING])
        notes = shown(clinician, ward)["tattoos"][0]["notes"]
        assert "darkened" in {note["id"] for note in notes}


class TestRecords:
    def test_a_grade_that_a_late_session_overtook_is_set_aside_and_named(self, ward, clinician):
        treated(ward, weeks_ago=16)
        grade = graded(ward.part, weeks_ago=7, low=0.5, high=0.75)
        treated(ward, weeks_ago=8)
        (aside,) = shown(clinician, ward)["tattoos"][0]["grades_set_aside"]
        assert (aside["clearance_grade"], aside["rule"]) == (grade.pk, "grade-too-early")

    def test_sessions_entered_in_error_do_not_count(self, ward, clinician):
        treated(ward, weeks_ago=8, status="entered-in-error")
        assert shown(clinician, ward)["sessions_done"] == 0

    def test_two_sessions_on_one_day_are_one(self, ward, clinician):
        treated(ward, weeks_ago=8)
        make_session(ward, NOW - timedelta(weeks=8) + timedelta(hours=3))
        answer = shown(clinician, ward)
        assert answer["sessions_done"] == 2
        assert answer["tattoos"][0]["sessions_done"] == 1

    def test_what_the_chains_lasers_lack_slows_the_forecast(self, clinician):
        green = ((InkColour.GREEN, How.SOLID_FILL, 1.0),)
        ward = make_ward(parts=green)
        (part,) = shown(ward.caller(Role.LASER_OPERATOR), ward)["tattoos"][0]["parts"]
        assert part["planned_match"] in {"partial", "poor"}

    def test_without_any_laser_first_choice_lines_are_assumed_and_that_is_said(self, clinician):
        ward = make_ward()
        ward.laser.status = "inactive"
        ward.laser.save()
        answer = shown(ward.caller(Role.LASER_OPERATOR), ward)
        assert answer["lines_known"] is False
        assert answer["tattoos"][0]["parts"][0]["planned_match"] == "first"


class TestBeyondTheLines:
    def test_ink_that_no_line_acts_on_keeps_the_whole_and_the_rest_is_shown_beside(self, db):
        ward = make_ward(
            parts=(
                (InkColour.BLACK, How.OUTLINE, 0.9),
                (InkColour.WHITE, How.SOLID_FILL, 0.1),
            )
        )
        answer = shown(ward.caller(Role.TREATING_CLINICIAN), ward)
        assert answer["remaining"]["p50"] is None
        served = answer["served"]
        tattoo = ward.part.tattoo_id
        assert served["left_out"] == [f"tattoo {tattoo}: white solid fill"]
        assert served["remaining"]["p50"] < 15
        assert served["chair_hours"]["expected"] < answer["chair_hours"]["expected"]

    def test_nothing_is_left_out_where_every_ink_has_a_line(self, ward, clinician):
        assert shown(clinician, ward)["served"] is None

    def test_of_several_tattoos_only_what_is_unserved_is_left_out(self, ward, clinician):
        white = make_tattoo(
            ward.course.patient,
            parts=(
                (InkColour.BLACK, How.SHADING, 0.5),
                (InkColour.WHITE, How.SOLID_FILL, 0.5),
            ),
        )
        alone = shown(clinician, ward)["remaining"]["p50"]
        ward.course.tattoos.add(white)
        served = shown(clinician, ward)["served"]
        assert served["left_out"] == [f"tattoo {white.pk}: white solid fill"]
        assert served["remaining"]["p50"] >= alone


class TestNextDay:
    def test_a_booked_appointment_starts_the_calendar(self, ward, clinician):
        make_appointment(ward, NOW + timedelta(days=10))
        answer = shown(clinician, ward)
        assert answer["booked_on"] == answer["calendar"]["next_on"] == "2026-03-12"

    def test_the_window_starts_it_otherwise(self, ward, clinician):
        make_window(treated(ward, weeks_ago=2))
        assert shown(clinician, ward)["calendar"]["next_on"] == "2026-03-30"

    def test_a_held_window_names_no_day(self, ward, clinician):
        session = treated(ward, weeks_ago=2, responses=[SkinResponse.TORN_EPIDERMIS])
        window = make_window(session)
        answer = shown(clinician, ward)
        assert answer["held"] == [window.pk]
        assert answer["calendar"]["next_on"] is None
        assert answer["calendar"]["likely_weeks"] is not None

    def test_skin_that_may_never_be_treated_is_marked(self, clinician):
        ward = make_ward(patient={"gold_therapy_ever": True})
        answer = shown(ward.caller(Role.LASER_OPERATOR), ward)
        assert answer["never"] is True
        assert answer["calendar"]["next_on"] is None


class TestAccess:
    def test_chair_time_follows_the_technique(self, ward, clinician):
        one, four = shown(clinician, ward), shown(clinician, ward, passes=4)
        assert four["chair_hours"]["p50"] > one["chair_hours"]["p50"]
        assert four["calendar"]["earliest_interval_days"] == 56

    @pytest.mark.parametrize("query", [{"passes": 0}, {"spot": 3}, {"rate_hz": "fast"}])
    def test_a_wrong_parameter_is_refused(self, ward, clinician, query):
        assert_problem(clinician.get(f"/courses/{ward.course.pk}/estimate", **query), 400)

    def test_courses_of_another_chain_do_not_exist(self, ward):
        stranger = sign_in(Role.TREATING_CLINICIAN)
        assert_problem(stranger.get(f"/courses/{ward.course.pk}/estimate"), 404)

    def test_a_course_without_tattoos_has_nothing_to_estimate(self, ward, clinician):
        ward.course.tattoos.clear()
        answer = clinician.get(f"/courses/{ward.course.pk}/estimate")
        assert_problem(answer, 422, "nothing_to_treat")


def queries(call):
    with CaptureQueriesContext(connection) as seen:
        call()
    return len(seen)


def test_queries_do_not_grow_with_history_or_tattoos(ward):
    actor = make_actor(Role.TREATING_CLINICIAN, clinic=ward.clinic)

    def one():
        return course_estimate(ward.course.pk, technique=Technique(), actor=actor, now=NOW)

    treated(ward, weeks_ago=40)
    few = queries(one)
    for n in range(4):
        make_observation(treated(ward, weeks_ago=32 - 8 * n), kind="blister")
    graded(ward.part, weeks_ago=2, low=0.5, high=0.75)
    for _ in range(3):
        ward.course.tattoos.add(make_tattoo(ward.course.patient, parts=BLACK_AND_RED))
    assert queries(one) == few <= 10


def test_many_courses_cost_as_many_queries_as_one(ward):
    actor = make_actor(Role.TREATING_CLINICIAN, clinic=ward.clinic)
    treated(ward, weeks_ago=8)
    courses = [ward.course, *(make_course(clinic=ward.clinic) for _ in range(5))]

    def of(chosen):
        keys = [course.pk for course in chosen]
        return course_estimates(keys, technique=Technique(), actor=actor, now=NOW)

    assert [one.course.pk for one in of(courses)] == [course.pk for course in courses]
    assert queries(lambda: of(courses)) == queries(lambda: of(courses[:1]))
