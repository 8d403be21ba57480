"""When a service falls due: calendar, pulses, whichever is first, and the spread of it."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.forecast import (
    DueDates,
    Recent,
    add_months,
    calendar_due,
    demand_ahead,
    due_dates,
    whole_months,
)
from devices.forecast.due import reached

TODAY = date(2026, 3, 2)  # a Monday
DAY = timedelta(days=1)
DAILY = dict.fromkeys(range(1, 8), 8)


def recent(pulses=(1000,) * 56, sessions_on=None, days=56, **fields):
    return Recent(
        until=TODAY, days=days, sessions_on=sessions_on or DAILY, pulses=tuple(pulses), **fields
    )


def ahead(days=400, booked=None, **fields):
    return demand_ahead(today=TODAY, days=days, booked=booked or {}, recent=recent(**fields))


@pytest.mark.parametrize(
    ("day", "months", "later"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2024, 1, 31), 1, date(2024, 2, 29)),
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (date(2026, 12, 15), 1, date(2027, 1, 15)),
        (date(2026, 3, 2), 6, date(2026, 9, 2)),
    ],
)
def test_months_end_with_the_month(day, months, later):
    assert add_months(day, months) == later
    assert whole_months(day, later) == months


@given(st.dates(date(2000, 1, 1), date(2100, 1, 1)), st.integers(0, 600))
def test_as_many_whole_months_as_were_added(day, months):
    later = add_months(day, months)
    assert whole_months(day, later) == months
    assert whole_months(day, later - DAY) < max(months, 1)


def test_by_the_calendar_with_tolerance():
    assert calendar_due(date(2025, 3, 2), months=12) == date(2026, 3, 2)
    assert calendar_due(date(2025, 3, 2), months=12, tolerance_days=14) == date(2026, 3, 16)
    assert calendar_due(date(2025, 3, 2), months=None) is None


def test_one_session_a_day_of_1000_pulses_uses_10000_in_about_ten_days():
    due = due_dates(10_000, demand=ahead())
    assert abs(due.p50 - (TODAY + 10 * DAY)) <= DAY
    assert TODAY + 5 * DAY <= due.p10 < due.p50 < due.p90 <= TODAY + 20 * DAY


def test_booked_sessions_bring_it_forward_and_a_thin_diary_is_topped_up():
    usual = due_dates(20_000, demand=ahead())
    full = {TODAY + n * DAY: 4 for n in range(30)}
    assert due_dates(20_000, demand=ahead(booked=full)).p50 < usual.p50
    thin = {TODAY + 3 * DAY: 1}
    assert due_dates(20_000, demand=ahead(booked=thin)).p50 == usual.p50


def test_without_recent_sessions_nothing_is_foreseen_and_what_is_over_is_due_today():
    empty = demand_ahead(
        today=TODAY,
        days=400,
        booked={TODAY + DAY: 3},
        recent=Recent(until=TODAY, days=56, sessions_on={}, pulses=()),
    )
    assert due_dates(1, demand=empty) == DueDates(None, None, None)
    assert due_dates(0, demand=empty) == DueDates(TODAY, TODAY, TODAY)
    assert due_dates(None, demand=empty).p50 is None


def test_whichever_is_first():
    pulses = DueDates(TODAY + 5 * DAY, TODAY + 10 * DAY, None)
    first = pulses.first(TODAY + 7 * DAY)
    assert (first.p10, first.p50, first.p90) == (TODAY + 5 * DAY, *[TODAY + 7 * DAY] * 2)
    assert pulses.first(None) == pulses


def test_steady_pulses_outside_of_sessions_count():
    still = ahead(sessions_on={1: 0}, pulses=(), other_pulses=56 * 100)
    assert due_dates(1000, demand=still).p50 == TODAY + 9 * DAY


@given(
    st.lists(st.integers(1, 5000), min_size=1, max_size=40),
    st.integers(1, 100_000),
    st.integers(0, 6),
)
def test_more_left_is_never_due_earlier_and_shares_come_in_order(pulses, left, booked):
    demand = ahead(pulses=pulses, booked={TODAY + n * DAY: booked for n in range(1, 40)})
    near, far = due_dates(left, demand=demand), due_dates(2 * left, demand=demand)
    last = TODAY + 1000 * DAY
    for one in (near, far):
        assert (one.p10 or last) <= (one.p50 or last) <= (one.p90 or last)
    assert (near.p50 or last) <= (far.p50 or last)
    assert (near.p10 or last) <= (far.p10 or last)


def test_the_gamma_dates_agree_with_a_simulation_of_the_same_model():
    """Bootstrapped pulses for booked sessions plus a Poisson number of further ones."""
    rng = np.random.default_rng(7)
    pulses = tuple(int(one) for one in rng.lognormal(6.5, 0.6, 80))
    booked = {TODAY + n * DAY: 1 for n in range(1, 15)}
    days, left = 120, 60_000
    demand = ahead(
        days=days, pulses=pulses, booked=booked, sessions_on=dict.fromkeys(range(1, 8), 12)
    )
    rate = 12 / 8
    paths = np.zeros((4000, days))
    for path in paths:
        sample = rng.choice(pulses, len(pulses))  # what little the record may know of the mean
        level = rng.poisson(len(pulses)) / len(pulses)
        for n in range(1, days):
            firm = booked.get(TODAY + n * DAY, 0)
            count = firm + rng.poisson(max(0.0, rate - firm) * level)
            path[n] = rng.choice(sample, count).sum()
    simulated = (paths.cumsum(axis=1) >= left).mean(axis=0)
    due = due_dates(left, demand=demand)
    for share, day in ((0.1, due.p10), (0.5, due.p50), (0.9, due.p90)):
        wanted = int(np.argmax(simulated >= share))
        assert abs((day - TODAY).days - wanted) <= 2, (share, day, wanted)
    assert np.abs(reached(left, demand=demand) - simulated).max() < 0.05
