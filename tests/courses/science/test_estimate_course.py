"""A course of several tattoos, the first estimate, and grades that cannot count any more."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from courses.science.errors import InvalidInput
from courses.science.estimate.answer import estimate, estimate_batch, first_estimate
from courses.science.estimate.course import course_sessions
from courses.science.estimate.inputs import ChairTime, Intervals
from courses.science.estimate.prior import PUBLISHED_PRIOR, PriorSettings
from courses.science.fading.inputs import Goal
from courses.science.fading.usable import usable_grades
from courses.vocabulary import CourseGoal, InkAmount, Scarring
from tests.support.estimates import assessment, request
from tests.support.fading_cases import case, grade

NEXT = date(2026, 5, 4)
CHAIR = ChairTime(fixed_minutes=20, area_minutes=10)


def course_of(*requests, done=0):
    return course_sessions(requests, estimate_batch(requests), done=done)


def test_a_course_of_one_tattoo_is_that_tattoo():
    one = request(chair=CHAIR, next_on=NEXT)
    answer, course = estimate(one), course_of(one)
    assert (course.remaining, course.calendar) == (answer.remaining, answer.calendar)
    assert course.chair == answer.chair
    assert [d.probability for d in course.done_by] == [d.probability for d in answer.done_by]


def test_a_further_tattoo_never_makes_a_course_shorter():
    small, large = request(), request(ink_amount=InkAmount.SIGNIFICANT, layered=True)
    both = course_of(small, large)
    slow = estimate(large)
    assert both.governed_by == 1
    assert both.remaining.p50 >= slow.remaining.p50
    assert all(
        together.probability <= alone.probability + 1e-12
        for together, alone in zip(both.done_by, slow.done_by, strict=True)
    )


def test_fixed_minutes_of_a_shared_session_are_spent_once():
    one, two = request(chair=CHAIR), request(chair=CHAIR)
    both = course_of(one, two)
    assert both.chair.p50 == pytest.approx(both.remaining.p50 * (20 + 10 + 10) / 60)
    assert both.chair.expected < 2 * estimate(one).chair.expected


def test_what_was_done_is_added_and_the_longest_interval_counts():
    course = course_of(
        request(next_on=NEXT),
        request(next_on=NEXT + timedelta(days=7), intervals=Intervals(56, 57, 84)),
        done=3,
    )
    assert course.total == course.remaining.plus(3)
    assert course.done_by[0].session == 3
    assert course.calendar.soonest_on == NEXT + timedelta(days=7 + 56 * (course.remaining.p10 - 1))


def test_no_day_is_named_while_one_tattoo_has_none():
    course = course_of(request(next_on=NEXT), request())
    assert course.calendar.likely_on is None
    assert course.calendar.likely_weeks is not None


def test_first_estimate_is_what_the_assessment_alone_says():
    first = first_estimate(assessment(), settings=PUBLISHED_PRIOR, goal=Goal())
    assert first.score == pytest.approx(8)
    assert first.sessions == estimate(request()).assessed


def test_first_score_does_not_depend_on_the_chains_own_multiplier():
    halved = PriorSettings(multiplier=0.5, version="1", source="own")
    seen = assessment(palpable=True, ink_amount=InkAmount.MINIMAL, scarring=Scarring.NONE)
    plain = first_estimate(seen, settings=PUBLISHED_PRIOR, goal=Goal())
    own = first_estimate(seen, settings=halved, goal=Goal())
    assert own.score == plain.score == pytest.approx(7 + 2.5)
    assert own.sessions.p50 < plain.sessions.p50


def test_lightening_takes_its_part_of_the_score():
    goal = Goal(kind=CourseGoal.LIGHTEN, target=0.5)
    assert first_estimate(assessment(), settings=PUBLISHED_PRIOR, goal=goal).score < 8


def test_first_estimate_refuses_what_an_estimate_refuses():
    with pytest.raises(InvalidInput, match="area"):
        first_estimate(assessment(area_cm2=0), settings=PUBLISHED_PRIOR, goal=Goal())
    with pytest.raises(InvalidInput, match="target"):
        first_estimate(assessment(), settings=PUBLISHED_PRIOR, goal=Goal(kind=CourseGoal.LIGHTEN))


def test_grades_that_can_count_are_kept_in_order():
    grades = [grade("fair", after=1), grade("good", after=2)]
    assert usable_grades(case(session_count=2, grades=grades)) == (tuple(grades), ())


def test_a_grade_too_close_to_a_session_recorded_late_is_set_aside_with_its_reason():
    kept, early = grade("fair", after=1), grade("good", after=2)
    early = replace(early, graded_on=early.graded_on - timedelta(days=30))
    usable, aside = usable_grades(case(session_count=2, grades=[kept, early]))
    assert usable == (kept,)
    assert [(one.grade, one.rule) for one in aside] == [(early, "grade-too-early")]


def test_a_grade_set_aside_does_not_bar_the_next_one():
    late, fell, again = (
        grade("good", after=1),
        grade("poor", after=2),
        grade("excellent", after=3),
    )
    usable, aside = usable_grades(case(session_count=3, grades=[late, fell, again]))
    assert usable == (late, again)
    assert [one.rule for one in aside] == ["ink-never-comes-back"]
