"""The session estimate: what it shows, what moves it, what it refuses."""

import math
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from courses.science.basis import Kind
from courses.science.errors import InvalidInput
from courses.science.estimate.answer import cohort_factors, estimate, estimate_batch
from courses.science.estimate.cohort import CohortFactor
from courses.science.estimate.inputs import ChairTime, Intervals
from courses.science.estimate.prior import PriorSettings
from courses.science.fading.forecast import together
from courses.science.fading.inputs import Goal, Grade, TreatedSession
from courses.science.fading.match import FiredLine, match_for
from courses.science.fading.model import Match
from courses.vocabulary import (
    BodySite,
    CourseGoal,
    InkAmount,
    InkColour,
    Scarring,
    SkinType,
    Technique,
)
from tests.support.estimates import part, request

DAY = date(2026, 1, 12)


def history(labels, keys=("black",)):
    """One session eight weeks apart and a grade of every part after each."""
    treated = [DAY + n * timedelta(days=56) for n in range(len(labels))]
    return {
        "sessions": [TreatedSession(day, dict.fromkeys(keys, Match.FIRST)) for day in treated],
        "grades": [
            Grade(key, day + timedelta(days=42), low, high)
            for day, (low, high) in zip(treated, labels, strict=True)
            for key in keys
        ],
    }


def mean_left(answer):
    return sum(1 - step.probability for step in answer.done_by)


def test_shows_score_spread_calendar_hours_and_second_view():
    answer = estimate(
        request(chair=ChairTime(30, 15), next_on=DAY, intervals=Intervals(42, 57, 84))
    )

    assert answer.scale.total == 8
    assert answer.assessed.p10 < answer.assessed.p50 < answer.assessed.p90
    assert answer.total == answer.assessed
    assert answer.total.p50 in (8, 9)
    assert answer.calendar.soonest_weeks == (answer.total.p10 - 1) * 6
    assert answer.calendar.latest_on == DAY + timedelta(days=84 * (answer.total.p90 - 1))
    assert answer.chair.p50 == answer.total.p50 * 0.75
    assert answer.cohort.total.p50 == 9
    assert answer.disagrees is False
    assert {basis.kind for basis in answer.basis} >= {Kind.PUBLISHED, Kind.PROPOSAL}
    assert "clinician" in answer.caution


def test_done_by_counts_sessions_of_the_whole_course():
    answer = estimate(request(**history([(0, 0.25), (0.25, 0.5), (0.25, 0.5)])))

    assert answer.done_by[0].session == 3
    assert answer.total.p50 == answer.remaining.p50 + 3
    by_session = {step.session: step.probability for step in answer.done_by}
    assert by_session[answer.total.p50] >= 0.5 > by_session[answer.total.p50 - 1]


def test_several_parts_do_not_make_the_assessment_slower():
    kinds = [Technique.OUTLINE, Technique.SHADING, Technique.SOLID_FILL]
    parts = [part(key=kind.value, technique=kind, share=1 / 3) for kind in kinds]

    one, three = estimate(request()), estimate(request(parts=parts))

    assert three.assessed == one.assessed
    assert three.total.p50 == one.total.p50
    assert abs(three.total.p90 - one.total.p90) <= 1


@pytest.mark.parametrize(
    ("ink", "scarring", "low", "high"),
    [
        (InkAmount.MINIMAL, Scarring.NONE, 2, 3),
        (InkAmount.MODERATE, Scarring.NONE, 1, 2),
        (InkAmount.SIGNIFICANT, Scarring.NONE, 0, 1),
        (InkAmount.MINIMAL, Scarring.MINIMAL, 1, 2),
        (InkAmount.MINIMAL, Scarring.MODERATE, 0, 0),
        (InkAmount.SIGNIFICANT, Scarring.SIGNIFICANT, 0, 0),
    ],
)
def test_palpable_adds_only_what_ink_and_scar_do_not_count(ink, scarring, low, high):
    flat = estimate(request(ink_amount=ink, scarring=scarring))
    raised = estimate(request(ink_amount=ink, scarring=scarring, palpable=True))

    assert (raised.palpable.low, raised.palpable.high) == (low, high)
    assert raised.palpable.basis.kind is Kind.COMMON_PRACTICE
    assert flat.palpable.high == 0
    assert raised.assessed.p50 - flat.assessed.p50 in (math.floor(low), math.ceil(high))


def test_multiplier_of_a_chain_scales_the_estimate_and_is_named():
    own = PriorSettings(multiplier=0.51, version="chain-7", source="refit of 64 courses")

    answer = estimate(request(settings=own))

    assert answer.total.p50 == 4
    note = next(note for note in answer.notes if note.id == "scale-reading")
    assert "chain-7" in note.text


def test_lightening_is_quicker_and_not_compared_with_the_cohort():
    answer = estimate(request(goal=Goal(CourseGoal.LIGHTEN, 0.5)))

    assert answer.total.p50 < estimate(request()).total.p50
    assert answer.disagrees is None
    assert "cohort-is-of-removal" in {note.id for note in answer.notes}


def test_views_far_apart_are_told():
    light = estimate(
        request(
            skin_type=SkinType.I,
            site=BodySite.HEAD,
            ink_amount=InkAmount.AMATEUR,
            smoker=True,
        )
    )

    assert light.disagrees is True
    assert "views-disagree" in {note.id for note in light.notes}


def test_an_assessment_beyond_published_fading_is_told():
    ids = {note.id for note in estimate(request(settings=PriorSettings(multiplier=2.5))).notes}

    assert "outside-published-fading" in ids


def test_good_grades_shorten_and_poor_grades_lengthen():
    blank = estimate(request(sessions=history([(0, 0.25)] * 3)["sessions"]))
    good = estimate(request(**history([(0.25, 0.5), (0.5, 0.75), (0.75, 0.95)])))
    poor = estimate(request(**history([(0, 0.25)] * 3)))

    assert mean_left(good) < mean_left(blank) < mean_left(poor)


def test_cleared_parts_save_chair_time():
    two = [part(share=0.5), part(key="red", colour=InkColour.RED, share=0.5)]
    gone = [two[0], part(key="red", colour=InkColour.RED, share=0.5, cleared=True)]
    chair = ChairTime(20, 30)

    before = estimate(request(parts=two, chair=chair)).chair
    after = estimate(request(parts=gone, chair=chair)).chair

    assert after.expected < before.expected
    assert after.p50 < before.p50


@given(data=st.data())
@settings(max_examples=30, deadline=None)
def test_one_level_more_never_means_fewer_sessions(data):
    ladders = {
        "skin_type": list(SkinType),
        "site": [
            BodySite.HEAD,
            BodySite.UPPER_TRUNK,
            BodySite.LOWER_TRUNK,
            BodySite.THIGH,
            BodySite.FOOT,
        ],
        "ink_amount": list(InkAmount),
        "scarring": list(Scarring),
        "layered": [False, True],
        "palpable": [False, True],
    }
    chosen = {key: data.draw(st.sampled_from(steps), label=key) for key, steps in ladders.items()}
    key = data.draw(st.sampled_from(sorted(ladders)))
    steps = ladders[key]
    better = steps[max(0, steps.index(chosen[key]) - 1)]

    worse, best = estimate(request(**chosen)), estimate(request(**(chosen | {key: better})))

    # A palpable tattoo counts ink and scar only once, so equality is allowed.
    assert mean_left(best) <= mean_left(worse) + 1e-9


@pytest.mark.parametrize(
    ("changes", "field", "rule"),
    [
        ({"area_cm2": 0.0}, "area_cm2", "area-on-a-body"),
        ({"area_cm2": 20_001.0}, "area_cm2", "area-on-a-body"),
        ({"area_cm2": math.nan}, "area_cm2", "area-on-a-body"),
        ({"amateur": True}, "amateur", "amateur-agrees-with-ink-amount"),
        ({"age_months": -1}, "age_months", "tattoo-age-range"),
        ({"parts": [part(share=0.4)]}, "parts", "shares-sum"),
        ({"parts": [part(share=1.4)]}, "parts[0].share", "share-range"),
        ({"parts": []}, "parts", "parts-count"),
        ({"intervals": Intervals(60, 42, 57)}, "intervals", "intervals-ordered"),
        ({"intervals": Intervals(0, 42, 57)}, "intervals", "intervals-ordered"),
        ({"settings": PriorSettings(multiplier=0)}, "multiplier", "multiplier-range"),
        (
            {"settings": PriorSettings(coefficient_of_variation=2)},
            "coefficient_of_variation",
            "spread-range",
        ),
        ({"chair": ChairTime(-1, 2)}, "chair.fixed_minutes", "minutes-range"),
    ],
)
def test_bad_input_names_field_and_rule(changes, field, rule):
    with pytest.raises(InvalidInput) as refusal:
        estimate(request(**changes))

    assert (refusal.value.field, refusal.value.rule) == (field, rule)
    assert refusal.value.message


def test_the_next_session_follows_the_last():
    past = history([(0, 0.25)])

    with pytest.raises(InvalidInput) as refusal:
        estimate(request(**past, next_on=DAY))

    assert refusal.value.rule == "next-after-last"


def test_cohort_factors_follow_from_the_request():
    factors = cohort_factors(
        request(
            parts=[part(share=0.5), part(key="g", colour=InkColour.GREEN, share=0.5)],
            site=BodySite.FOOT,
            area_cm2=31.0,
            age_months=40,
            smoker=True,
            ink_amount=InkAmount.SIGNIFICANT,
            intervals=Intervals(42, 56, 57),
        )
    )

    assert factors == set(CohortFactor) - {
        CohortFactor.BLACK_ONLY,
        CohortFactor.BLACK_AND_RED,
        CohortFactor.DARKENED,
    }


def test_a_batch_keeps_the_order_of_the_requests():
    requests = [request(skin_type=skin_type) for skin_type in SkinType]

    answers = estimate_batch(requests)

    assert [answer.scale.total for answer in answers] == list(range(7, 13))


def test_tattoos_together_end_with_the_slowest():
    quick = estimate(request(skin_type=SkinType.I)).forecast
    slow = estimate(request(skin_type=SkinType.VI)).forecast

    both = together([quick, slow])

    assert both.governed_by == 1
    assert both.remaining.p50 >= slow.remaining.p50
    assert all(a <= b + 1e-12 for a, b in zip(both.done_within, slow.done_within, strict=True))


@pytest.mark.parametrize(
    ("colour", "lines", "match"),
    [
        (InkColour.BLACK, [FiredLine(1064)], Match.FIRST),
        (InkColour.RED, [FiredLine(1064)], Match.POOR),
        (InkColour.RED, [FiredLine(1064), FiredLine(532)], Match.FIRST),
        (InkColour.GREEN, [FiredLine(755)], Match.FIRST),
        (InkColour.BLACK, [FiredLine(785, picosecond=True)], Match.WORKS),
        (InkColour.BLACK, [FiredLine(600)], Match.POOR),
        (InkColour.BLACK, [], Match.POOR),
    ],
)
def test_the_match_is_that_of_the_best_line(colour, lines, match):
    assert match_for(colour, lines=lines) is match
