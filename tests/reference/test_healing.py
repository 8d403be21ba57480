"""Healing rules and reaction times against their sources.

Rows REA-* and INT-* of the project's clinical reference. Beside each check: published (read),
common practice, or from memory.
"""

from datetime import date, timedelta

import pytest

from courses.healing import REGISTRY, Facts, Observation, compute_window, time_course
from courses.science.basis import Kind
from courses.science.treatment import (
    CLEARING_AGENT_WAIT_S,
    WHITENING_RANGE_S,
    WHITENING_WAIT_S,
    Beam,
    SegmentKind,
    TreatmentPlan,
    treatment_length,
)
from courses.vocabulary import BodySite, ObservationKind, SkinType, WindowState

TREATED = date(2026, 1, 5)


def window_of(**changes):
    today = TREATED + timedelta(days=200)
    return compute_window(Facts(treated_on=TREATED, today=today, **changes))


def test_bencini_day_56_is_on_the_worse_side_and_day_57_on_the_better():
    """Published: Bencini 2012, Arch Dermatol 148:1364: intervals of 8 weeks or less did worse."""
    worse_up_to = timedelta(weeks=8)

    window = window_of()

    assert window.advised_on - TREATED > worse_up_to
    assert window.advised_on - timedelta(days=1) - TREATED <= worse_up_to
    assert REGISTRY["healing.advised"].kind is Kind.PUBLISHED


def test_base_interval_is_within_what_is_used():
    """Common practice: 6 to 8 weeks. Published: Bencini 2012 scheduled 6 weeks or more."""
    assert window_of().days == 6 * 7


@pytest.mark.parametrize(
    "changes",
    [
        {"passes": 2},
        {"passes": 4},
        {"skin_type": SkinType.IV},
        {"site": BodySite.FOOT},
        {"area_cm2": 31.0},
        {"smoker": True},
    ],
)
def test_eight_weeks_for_slower_skin(changes):
    """Expert opinion, no trial. 8 to 12 weeks for types IV to VI and distal limbs: from memory.

    The thresholds 30 cm2, legs and smoking are those of Bencini 2012 (published, for response).
    """
    assert window_of(**changes).days == 8 * 7


def test_four_weeks_after_the_sun():
    """Common practice: 2 to 6 weeks, mostly 4 (from memory)."""
    tanned = TREATED + timedelta(weeks=7)
    seen = Observation(kind=ObservationKind.TAN, observed_on=tanned)

    assert window_of(observations=(seen,)).earliest_on == tanned + timedelta(weeks=4)


@pytest.mark.parametrize(
    ("weeks", "state"), [(5, WindowState.OPEN), (6, WindowState.HELD), (7, WindowState.HELD)]
)
def test_skin_still_raised_after_six_weeks_is_looked_at(weeks, state):
    """Common practice: it settles within about a week, in some after about six."""
    seen = Observation(kind=ObservationKind.RAISED, observed_on=TREATED + timedelta(days=20))
    asked = {"treated_on": TREATED, "observations": (seen,)}

    day = TREATED + timedelta(weeks=weeks)
    assert compute_window(Facts(today=day, **asked)).state is state
    day_before = TREATED + timedelta(weeks=6, days=-1)
    assert compute_window(Facts(today=day_before, **asked)).state is WindowState.OPEN


def test_twelve_weeks_after_a_marked_reaction():
    """Proposal of the project: needs clinical sign-off."""
    seen = Observation(
        kind=ObservationKind.HYPERPIGMENTATION, observed_on=TREATED + timedelta(days=30)
    )

    assert window_of(observations=(seen,)).days == 12 * 7


def test_wl_07_gold_is_never():
    """Published: Cohen & Ross 2015, PMC4587895: chrysiasis up to 26 years after the last gold."""
    assert window_of(gold_ever=True).state is WindowState.NEVER
    assert REGISTRY["healing.gold"].kind is Kind.PUBLISHED


def test_rea_01_whitening_lasts_20_minutes():
    """Published: Reddy 2013 (bubbles absent at 20 min). Range 10 to 30 minutes: from memory."""
    assert WHITENING_WAIT_S / 60 == 20
    assert tuple(s / 60 for s in WHITENING_RANGE_S) == (10, 30)


def test_rea_02_four_passes_wait_60_minutes():
    """Derived from Kossida 2012 (JAAD 66:271): 4 passes, 20 minutes apart."""
    length = treatment_length(TreatmentPlan(beams=(Beam(10, 3, 10),), passes=4))

    waits = [s.minutes for s in length.segments if s.kind is SegmentKind.WAIT]
    assert waits == pytest.approx([20, 20, 20])


def test_rea_03_and_04_with_a_clearing_agent_the_session_takes_about_5_minutes():
    """Published: Reddy 2013: whitening gone in mean 5 s (3 to 10 s), about 5 minutes in all."""
    # A tattoo of 5 x 5 cm, spot 3 mm, 5 Hz: our inputs.
    plan = TreatmentPlan(
        beams=(Beam(25, 3, 5),),
        passes=4,
        clearing_agent=True,
        preparation_min=0,
        aftercare_min=0,
    )

    assert 3 <= CLEARING_AGENT_WAIT_S <= 10
    assert CLEARING_AGENT_WAIT_S == 5
    assert treatment_length(plan).total_s / 60 == pytest.approx(5, abs=1)


def test_rea_05_blisters_begin_after_12_to_72_hours():
    """From memory."""
    onset = time_course(ObservationKind.BLISTER).onset_days
    assert tuple(24 * days for days in onset) == (12, 72)


def test_rea_06_crusts():
    """Face, picosecond: published (Moustafa 2020, 3 to 5 days). Body, 1 to 2 weeks: memory."""
    assert time_course(ObservationKind.CRUST, site=BodySite.HEAD).usual_days == (3, 5)
    assert time_course(ObservationKind.CRUST, site=BodySite.FOREARM).usual_days == (7, 14)


def test_rea_07_swelling_is_gone_within_a_week():
    """Published: Saedi 2012, Arch Dermatol 148:1360: swelling and blisters gone in 1 week."""
    assert time_course(ObservationKind.SWELLING).usual_days[1] <= 7


def test_slow_healing_starts_where_the_usual_time_of_a_crust_ends():
    """Crusts on the body 1 to 2 weeks: from memory."""
    after = REGISTRY["healing.slow-healing"].parameters[1].default
    assert after == time_course(ObservationKind.CRUST).usual_days[1]


@pytest.mark.parametrize(("weeks", "total"), [(6, 42), (8, 56), (12, 84)])
def test_int_01_eight_sessions_from_first_to_last(weeks, total):
    """Derived: 7 intervals."""
    changes = {
        6: {},
        8: {"smoker": True},
        12: {
            "observations": (
                Observation(
                    kind=ObservationKind.HYPERPIGMENTATION,
                    observed_on=TREATED + timedelta(days=30),
                ),
            )
        },
    }[weeks]
    day = TREATED
    for _ in range(7):
        shift = day - TREATED
        moved = {
            "observations": tuple(
                Observation(kind=o.kind, observed_on=o.observed_on + shift)
                for o in changes.get("observations", ())
            )
        }
        facts = Facts(treated_on=day, today=day + timedelta(days=60), **(changes | moved))
        day = compute_window(facts).earliest_on

    assert (day - TREATED) == timedelta(weeks=total)


def test_int_04_the_observed_interval_of_a_large_series():
    """Published: Brazilian series, n = 304: 49.23 days between sessions."""
    assert pytest.approx(7.03, abs=0.01) == 49.23 / 7
    assert window_of().days <= 49.23 <= (window_of().advised_on - TREATED).days
