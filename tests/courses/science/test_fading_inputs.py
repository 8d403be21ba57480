"""The fading model refuses input that contradicts itself, and names field and rule."""

import math
from dataclasses import replace
from datetime import date, timedelta

import pytest

from courses.science.errors import InvalidInput
from courses.science.fading.forecast import forecast
from courses.science.fading.inputs import Darkening, Goal, Grade
from courses.vocabulary import CourseGoal, InkColour
from tests.support.fading_cases import FIRST_DAY, case, grade, parts


def refusal_of(fading_case):
    with pytest.raises(InvalidInput) as refusal:
        forecast(fading_case)
    return refusal.value.field, refusal.value.rule


@pytest.mark.parametrize(
    ("share", "rule"),
    [(0.0, "share-range"), (-0.2, "share-range"), (math.nan, "share-range"), (0.4, "shares-sum")],
)
def test_shares_make_a_whole(share, rule):
    two = parts(2)

    assert refusal_of(case(parts=[two[0], replace(two[1], share=share)]))[1] == rule


def test_parts_are_known_and_named_once():
    one = parts(1)[0]

    assert refusal_of(case(parts=[replace(one, colour="ultramarine")])) == (
        "parts[0].colour",
        "colour-unknown",
    )
    assert refusal_of(case(parts=[replace(one, technique="dots")]))[1] == "technique-unknown"
    twice = [replace(part, key="same") for part in parts(2)]
    assert refusal_of(case(parts=twice)) == ("parts[1].key", "part-key-unique")
    assert forecast(case(parts=[replace(one, colour=InkColour.RED)])).parts


@pytest.mark.parametrize(
    ("goal", "rule"),
    [
        (Goal(CourseGoal.LIGHTEN), "lighten-needs-target"),
        (Goal(CourseGoal.CLEAR, 0.5), "clear-has-no-target"),
        (Goal(CourseGoal.LIGHTEN, 0.0), "target-range"),
        (Goal(CourseGoal.LIGHTEN, 0.99), "target-range"),
        (Goal(CourseGoal.LIGHTEN, math.nan), "target-range"),
    ],
)
def test_goal_and_target_agree(goal, rule):
    assert refusal_of(case(goal=goal)) == ("goal.target", rule)


def test_sessions_stand_in_order_and_name_known_parts():
    good = case(session_count=2)
    turned = list(reversed(good.sessions))

    assert refusal_of(replace(good, sessions=turned))[1] == "sessions-ordered"
    stray = replace(good.sessions[0], matches={"elsewhere": good.sessions[0].matches["part-0"]})
    assert refusal_of(replace(good, sessions=[stray]))[1] == "part-unknown"


@pytest.mark.parametrize(("days", "rule"), [(0, "grade-on-treatment-day"), (20, "grade-too-early")])
def test_a_grade_too_soon_is_refused(days, rule):
    early = Grade("part-0", FIRST_DAY + timedelta(days=days), 0.25, 0.5)

    assert refusal_of(case(session_count=1, grades=[early])) == ("grades[0].graded_on", rule)


def test_ink_never_comes_back_without_darkening():
    grades = [grade("good", after=1), grade("fair", after=2)]

    assert refusal_of(case(session_count=2, grades=grades)) == (
        "grades[1].low",
        "ink-never-comes-back",
    )


def test_ink_may_come_back_when_it_darkened():
    marked = [grade("good", after=1), grade("fair", after=2, darkened=True)]
    seen = Darkening(part="part-0", seen_on=FIRST_DAY + timedelta(days=56))
    unmarked = [grade("good", after=1), grade("poor", after=2)]

    assert forecast(case(session_count=2, grades=marked)).parts
    assert forecast(case(session_count=2, grades=unmarked, darkenings=[seen])).parts


def test_grades_are_bands_of_known_treated_parts_in_order():
    band = Grade("part-0", FIRST_DAY + timedelta(days=42), 0.5, 0.5)
    assert refusal_of(case(session_count=1, grades=[band]))[1] == "grade-band"

    stray = grade("fair", after=1, part="elsewhere")
    assert refusal_of(case(session_count=1, grades=[stray]))[1] == "part-unknown"

    twice = [grade("fair", after=1), grade("fair", after=1)]
    assert refusal_of(case(session_count=1, grades=twice))[1] == "grades-ordered"

    two = case(part_count=2, session_count=1, grades=[grade("fair", after=1)])
    only_other = replace(two.sessions[0], matches={"part-1": two.sessions[0].matches["part-1"]})
    assert refusal_of(replace(two, sessions=[only_other]))[1] == "grade-of-untreated-part"


def test_refuses_an_event_of_an_unknown_part():
    event = Darkening(part="elsewhere", seen_on=date(2026, 1, 1))

    assert refusal_of(case(darkenings=[event])) == ("darkenings[0].part", "part-unknown")
