"""Clearance scales and the days on which a grade counts."""

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from courses.science.errors import InvalidInput
from courses.science.grading import (
    SCALES,
    ClearanceScale,
    band_of,
    band_of_grade,
    band_of_label,
    check_grading_day,
)

TREATED = date(2026, 3, 2)


@pytest.mark.parametrize("scale", list(ClearanceScale))
def test_bands_cover_all_clearances_without_gap(scale):
    bands = SCALES[scale]

    assert bands[0].low == 0.0
    assert bands[-1].high == 1.0
    assert all(left.high == right.low for left, right in pairwise(bands))


@given(clearance=st.floats(0, 1), scale=st.sampled_from(list(ClearanceScale)))
def test_more_clearance_never_means_a_lower_grade(clearance, scale):
    band = band_of(clearance, scale=scale)

    assert band.low <= clearance <= band.high
    assert band_of(min(1.0, clearance + 0.07), scale=scale).grade >= band.grade


def test_a_grade_is_found_by_number_and_by_label():
    assert band_of_grade(0, scale=ClearanceScale.FIVE_POINT).label == "none"
    assert band_of_label("clear", scale=ClearanceScale.QUARTILES_CLEAR).low == 0.95


@pytest.mark.parametrize("clearance", [-0.01, 1.01, float("nan")])
def test_refuses_a_clearance_that_is_no_fraction(clearance):
    with pytest.raises(InvalidInput) as refusal:
        band_of(clearance)

    assert refusal.value.rule == "clearance-range"


def test_refuses_a_grade_the_scale_does_not_have():
    with pytest.raises(InvalidInput):
        band_of_grade(0, scale=ClearanceScale.QUARTILES)
    with pytest.raises(InvalidInput):
        band_of_label("clear", scale=ClearanceScale.QUARTILES)


@pytest.mark.parametrize(
    ("days", "rule"),
    [
        (-1, "grade-before-first-session"),
        (0, "grade-on-treatment-day"),
        (1, "grade-too-early"),
        (27, "grade-too-early"),
    ],
)
def test_no_grade_before_ink_can_be_judged(days, rule):
    with pytest.raises(InvalidInput) as refusal:
        check_grading_day(TREATED + timedelta(days=days), treated_on=[TREATED])

    assert refusal.value.rule == rule


def test_a_grade_counts_from_day_28_of_the_latest_session_before_it():
    check_grading_day(TREATED + timedelta(days=28), treated_on=[TREATED])
    check_grading_day(
        TREATED + timedelta(days=40), treated_on=[TREATED, TREATED + timedelta(days=56)]
    )
    with pytest.raises(InvalidInput):
        check_grading_day(
            TREATED + timedelta(days=70), treated_on=[TREATED, TREATED + timedelta(days=56)]
        )
