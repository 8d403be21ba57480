"""Fading forecasts: what moves them, what they explain, and that they stay in bounds."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from courses.science.fading.forecast import forecast, forecast_batch
from courses.science.fading.inputs import Darkening, Goal
from courses.science.fading.model import FadingModel, Match, table_prior
from courses.science.grading import SCALES, ClearanceScale
from courses.vocabulary import CourseGoal, InkColour, Technique
from tests.support.fading_cases import FIRST_DAY, case, drawn_case, grade, parts, sessions

LABELS = [band.label for band in SCALES[ClearanceScale.QUARTILES_CLEAR]]


def mean_left(answer):
    """Mean number of further sessions within the horizon."""
    return sum(1 - done for done in answer.done_within)


@given(
    labels=st.lists(st.sampled_from(LABELS), min_size=1, max_size=6),
    part_count=st.integers(1, 4),
)
@settings(max_examples=40, deadline=None)
def test_probabilities_rise_with_sessions_and_quantiles_are_ordered(labels, part_count):
    rising = sorted(labels, key=LABELS.index)
    grades = [grade(label, after=n) for n, label in enumerate(rising, start=1)]

    answer = forecast(case(part_count=part_count, session_count=len(labels), grades=grades))

    for done in [answer.done_within, *(part.done_within for part in answer.parts)]:
        assert all(0 <= left <= right <= 1 for left, right in pairwise(done))
    slowest = np.min([part.done_within for part in answer.parts], axis=0)
    assert np.all(np.array(answer.done_within) <= slowest + 1e-9)
    for part in answer.parts:
        assert 0 <= part.clearance.p10 <= part.clearance.p50 <= part.clearance.p90 < 1


@given(
    label=st.sampled_from(LABELS[:-1]),
    others=st.lists(st.sampled_from(LABELS), max_size=3),
    better=st.sampled_from(LABELS),
)
@settings(max_examples=40, deadline=None)
def test_a_better_last_grade_never_means_more_sessions(label, others, better):
    early = [grade("poor", after=n) for n in range(1, len(others) + 1)]
    last = len(early) + 1
    low, high = sorted([label, better], key=LABELS.index)

    worse = forecast(case(session_count=last, grades=[*early, grade(low, after=last)]))
    best = forecast(case(session_count=last, grades=[*early, grade(high, after=last)]))

    assert mean_left(best) <= mean_left(worse) + 1e-9


@given(count=st.integers(0, 10))
@settings(max_examples=11, deadline=None)
def test_clearance_never_falls_with_more_sessions(count):
    before = forecast(case(session_count=count)).parts[0].clearance
    after = forecast(case(session_count=count + 1)).parts[0].clearance

    assert before.p10 <= after.p10
    assert before.p50 < after.p50
    assert before.p90 < after.p90


def test_grades_narrow_the_forecast():
    blind = forecast(case(session_count=6))
    labels = ["poor", "fair", "fair", "good", "good", "excellent"]
    seen = forecast(
        case(session_count=6, grades=[grade(g, after=n) for n, g in enumerate(labels, start=1)])
    )

    width = [a.remaining.p90 - a.remaining.p10 for a in (blind, seen)]
    assert width[1] < width[0]


def test_one_part_tells_of_the_others_through_the_patient():
    slow = [grade("poor", after=n, part="part-0") for n in range(1, 5)]
    fast = [grade("excellent", after=n, part="part-0") for n in range(1, 5)]

    after_slow = forecast(case(part_count=2, session_count=4, grades=slow)).parts[1]
    after_fast = forecast(case(part_count=2, session_count=4, grades=fast)).parts[1]

    assert after_slow.fading_per_session.p50 < after_fast.fading_per_session.p50


def test_the_slowest_part_governs():
    two = parts(2)
    grades = [grade("excellent", after=3), grade("poor", after=3, part="part-1")]

    answer = forecast(case(parts=two, session_count=3, grades=grades))

    assert answer.governed_by == "part-1"
    assert answer.remaining.p50 >= answer.parts[1].remaining.p50
    assert answer.total.p50 == answer.remaining.p50 + 3


def test_outlines_are_slower_than_shading():
    kinds = [Technique.OUTLINE, Technique.SOLID_FILL, Technique.SHADING]
    chosen = [replace(part, technique=kind) for part, kind in zip(parts(3), kinds, strict=True)]

    outline, fill, shading = forecast(case(parts=chosen)).parts

    fading = [part.fading_per_session.p50 for part in (outline, fill, shading)]
    assert fading == sorted(fading)
    assert fading[0] < fading[2]


def test_a_poor_wavelength_hardly_fades_and_is_said_so():
    answer = forecast(case(parts=parts(1, planned=Match.POOR)))

    assert answer.remaining.p50 is None
    assert "poor-match" in {note.id for note in answer.notes}


def test_what_poor_sessions_did_does_not_count_as_slow_ink():
    keys = ["part-0"]
    mixed = sessions(3, keys, match=Match.POOR)
    stuck = [grade("poor", after=3)]

    misled = forecast(case(session_count=3, grades=stuck))
    aware = forecast(case(sessions=mixed, grades=stuck))

    assert aware.parts[0].fading_per_session.p50 > misled.parts[0].fading_per_session.p50
    assert aware.parts[0].clearance.p50 < misled.parts[0].clearance.p50


def test_lightening_takes_fewer_sessions_than_clearing():
    clear = forecast(case(part_count=2))
    light = forecast(case(part_count=2, goal=Goal(CourseGoal.LIGHTEN, 0.6)))

    assert light.remaining.p50 < clear.remaining.p50


def test_cleared_parts_drop_out():
    two = parts(2)
    left = forecast(case(parts=[two[0], replace(two[1], cleared=True)], session_count=2))
    none_left = forecast(case(parts=[replace(part, cleared=True) for part in two], session_count=2))

    assert [part.key for part in left.parts] == ["part-0"]
    assert none_left.parts == ()
    assert none_left.governed_by is None
    assert none_left.remaining.p90 == 0


def test_darkening_starts_the_part_anew():
    grades = [grade("fair", after=1), grade("good", after=2)]
    plain = forecast(case(session_count=2, grades=grades))
    seen_on = FIRST_DAY + timedelta(days=110)
    dark = forecast(case(session_count=2, grades=grades, darkenings=[Darkening("part-0", seen_on)]))
    graded = [*grades, grade("fair", after=3, darkened=True)]
    banded = forecast(case(session_count=3, grades=graded))

    assert dark.parts[0].clearance.p90 == pytest.approx(0)
    assert dark.remaining.p50 > plain.remaining.p50
    assert banded.parts[0].clearance.p10 == pytest.approx(0.25)
    assert "darkened" in {note.id for note in dark.notes}
    # What the patient's skin did before still tells of the patient.
    assert dark.parts[0].fading_per_session.p50 != pytest.approx(
        forecast(case()).parts[0].fading_per_session.p50, abs=1e-3
    )


def test_a_lagging_outline_is_ink_volume_unless_the_skin_reacted():
    two = parts(2)
    grades = [grade("excellent", after=3), grade("fair", after=3, part="part-1")]

    plain = forecast(case(parts=two, session_count=3, grades=grades))
    hurt = [two[0], replace(two[1], blister_or_scar=True)]
    reacted = forecast(case(parts=hurt, session_count=3, grades=grades))

    note = next(note for note in plain.notes if note.part == "part-1")
    assert note.id == "lagging-outline"
    assert "ink volume, not harm" in note.text
    assert [n.id for n in reacted.notes if n.part == "part-1"] == ["lagging-outline-with-reaction"]


def test_repeating_a_grade_is_weaker_than_reaching_it():
    repeated = forecast(case(session_count=2, grades=[grade("fair", after=n) for n in (1, 2)]))
    reached = forecast(
        case(session_count=2, grades=[grade("poor", after=1), grade("fair", after=2)])
    )

    assert repeated.parts[0].clearance.p10 > reached.parts[0].clearance.p10


def test_a_batch_answers_as_one_by_one_does():
    rng = np.random.default_rng(7)
    cases = [drawn_case(rng, part_count=1 + n % 4, session_count=n % 6)[0] for n in range(70)] + [
        case(session_count=2, prior=table_prior(amateur=True)),
        case(session_count=2, model=FadingModel(patient_share=0.3)),
    ]

    together = forecast_batch(cases)

    for single, answer in zip(map(forecast, cases), together, strict=True):
        assert single.done_within == pytest.approx(answer.done_within, abs=1e-12)
        assert single.notes == answer.notes
        assert single.governed_by == answer.governed_by


def test_years_of_poor_grades_outweigh_the_assessment():
    never = [grade("poor", after=n) for n in range(1, 21)]

    answer = forecast(case(session_count=20, grades=never))

    assert answer.parts[0].fading_per_session.p50 < 0.12
    assert all(np.isfinite(answer.done_within))


def test_one_grade_against_all_expectation_is_doubted_aloud():
    answer = forecast(case(session_count=1, grades=[grade("clear", after=1)]))

    assert 0.25 < answer.parts[0].fading_per_session.p50 < 0.6
    assert [note.id for note in answer.notes] == ["surprising-grade"]


def test_an_outline_lags_behind_shading_also_beside_a_part_that_does_not_answer():
    chosen = [
        *parts(3)[1:],
        replace(parts(3)[0], key="red", colour=InkColour.RED),
    ]
    seen = [
        grade("poor", after=1, part="part-1"),
        grade("good", after=1, part="part-2"),
        grade("poor", after=1, part="red"),
    ]
    answer = forecast(case(parts=chosen, session_count=1, grades=seen))
    assert [n.part for n in answer.notes if n.id == "lagging-outline"] == ["part-1"]
