"""The calibration report: what it concludes, and when it does not."""

from dataclasses import replace

import pytest

from courses.calibration.records import CourseRecord, Outcome
from courses.calibration.refit import Family, refit
from courses.calibration.report import calibrate, coverage_of
from courses.science.errors import InvalidInput
from courses.science.estimate.prior import check_settings
from tests.support.calibration_cases import drawn_courses


def record(sessions, outcome=Outcome.REACHED, key="a"):
    return CourseRecord(key, 10.0, 7, 10, 13, sessions, outcome)


def test_below_30_courses_it_says_there_is_too_little_data():
    report = calibrate(drawn_courses(29))

    assert not report.enough
    assert "Too little data: 29 courses" in report.messages[0]
    assert (report.accuracy, report.coverage, report.refit, report.drop_out) == (None,) * 4
    assert sum(count for _, count in report.counts) == 29


def test_thirty_courses_are_enough_and_each_step_is_told_as_it_begins():
    steps = []

    report = calibrate(drawn_courses(30), on_step=steps.append)

    assert report.enough
    assert steps == [
        "checking the courses",
        "coverage of the predictions",
        "sessions to the goal",
        "refit of the prior",
    ]


def test_places_courses_below_within_and_above_and_counts_the_undecided():
    records = [
        record(6, key="below"),
        record(7, key="low end"),
        record(13, key="high end"),
        record(14, key="above"),
        record(13, Outcome.RUNNING, key="running past the end"),
        record(9, Outcome.RUNNING, key="at least not below"),
        record(2, Outcome.DROPPED_OUT, key="unknown"),
    ]

    coverage = coverage_of(records)

    assert (coverage.below.events, coverage.within.events, coverage.above.events) == (1, 2, 2)
    assert coverage.within.cases == 5
    assert coverage.undecided == 2
    # By hand: 6 at risk when one ends below; then 5, one ends at the low end; 3 at the high end.
    assert coverage.allowing == pytest.approx(5 / 6 - 5 / 6 * 4 / 5 * 2 / 3)


def test_nobody_at_the_goal_leaves_the_coverage_open():
    coverage = coverage_of([record(3, Outcome.RUNNING)])

    assert coverage.allowing is None
    assert not coverage.as_expected or coverage.within.cases == 0


def test_drop_out_is_counted_among_courses_that_ended():
    records = drawn_courses(40, leaving=0.05)
    left = [r for r in records if r.outcome is Outcome.DROPPED_OUT]
    running = [r for r in records if r.outcome is Outcome.RUNNING]

    drop_out = calibrate(records).drop_out

    assert drop_out.share.events == len(left)
    assert drop_out.share.cases == 40 - len(running)
    assert sum(count for _, count in drop_out.after_sessions) == len(left)


def test_a_chain_that_needs_half_as_many_sessions_is_told_so():
    report = calibrate(drawn_courses(60, multiplier=0.51))

    assert report.accuracy.ratio < 0.65
    assert not report.coverage.as_expected
    assert any("not the expected 80 %" in message for message in report.messages)
    assert any("A clinician accepts or refuses" in message for message in report.messages)


def test_groups_hold_every_course_once():
    records = drawn_courses(40)

    groups = calibrate(records).groups

    assert sum(group.courses for group in groups) == 40
    assert [group.mean_predicted for group in groups] == sorted(
        group.mean_predicted for group in groups
    )


def test_an_accepted_refit_is_a_prior_with_a_version():
    fitted = refit(drawn_courses(40, multiplier=0.7))

    settings = fitted.settings(version="chain-2")

    check_settings(settings)
    assert settings.version == "chain-2"
    assert settings.multiplier == fitted.proposed.multiplier
    assert {fit.family for fit in fitted.fits} == set(Family)
    assert fitted.proposed.aic == min(fit.aic for fit in fitted.fits)


def test_no_refit_from_fewer_than_ten_goals():
    records = [replace(r, outcome=Outcome.RUNNING) for r in drawn_courses(40)]

    report = calibrate(records)

    assert report.refit is None
    assert report.accuracy is None
    assert any("No refit" in message for message in report.messages)


def test_one_score_for_all_gives_no_slope():
    records = [replace(r, score=9.0) for r in drawn_courses(40)]

    assert refit(records).slope is None


@pytest.mark.parametrize(
    ("bad", "rule"),
    [
        (record(0), "sessions-counted"),
        (record(-1, Outcome.RUNNING), "sessions-counted"),
        (replace(record(5), score=0.0), "score-positive"),
        (replace(record(5), score=float("nan")), "score-positive"),
        (replace(record(5), p50=14), "quantiles-ordered"),
    ],
)
def test_records_that_cannot_be_true_are_refused(bad, rule):
    with pytest.raises(InvalidInput) as refusal:
        calibrate([bad])

    assert refusal.value.rule == rule
    assert refusal.value.field.startswith("courses[0].")


def test_a_course_stands_once():
    with pytest.raises(InvalidInput) as refusal:
        calibrate([record(5), record(5)])

    assert refusal.value.rule == "course-once"
