"""Quiet hours, due times and pauses, also on the nights when the clocks change."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from courses.timing import (
    QuietHours,
    call_again_at,
    out_of_quiet,
    pause_after,
    quiet_until,
    step_due,
)

BERLIN = ZoneInfo("Europe/Berlin")
TORONTO = ZoneInfo("America/Toronto")
NIGHT = QuietHours(start=time(22), end=time(7), zone=BERLIN)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


@pytest.mark.parametrize(
    ("instant", "goes_at"),
    [
        ("2026-02-23T21:59+01:00", "2026-02-23T21:59+01:00"),
        ("2026-02-23T22:00+01:00", "2026-02-24T07:00+01:00"),
        ("2026-02-24T03:00+01:00", "2026-02-24T07:00+01:00"),
        ("2026-02-24T07:00+01:00", "2026-02-24T07:00+01:00"),
    ],
)
def test_quiet_hours_that_pass_midnight_move_to_their_end(instant, goes_at):
    assert out_of_quiet(at(instant), quiet=NIGHT) == at(goes_at)


def test_quiet_hours_within_a_day():
    siesta = QuietHours(start=time(13), end=time(15), zone=BERLIN)
    assert out_of_quiet(at("2026-02-23T14:00+01:00"), quiet=siesta) == at("2026-02-23T15:00+01:00")
    assert quiet_until(at("2026-02-23T12:59+01:00"), quiet=siesta) is None


def test_the_same_time_twice_means_no_quiet_hours():
    never = QuietHours(start=time(8), end=time(8), zone=BERLIN)
    assert quiet_until(at("2026-02-23T08:00+01:00"), quiet=never) is None
    assert quiet_until(at("2026-02-23T08:00+01:00"), quiet=None) is None


def test_they_are_the_hours_where_the_person_is():
    there = QuietHours(start=time(22), end=time(7), zone=TORONTO)
    ten_in_berlin = at("2026-02-23T10:00+01:00")
    assert out_of_quiet(ten_in_berlin, quiet=there) == at("2026-02-23T07:00-05:00")


class TestNightsOfClockChanges:
    """Europe/Berlin: 29 March 2026 02:00 to 03:00, 25 October 2026 03:00 to 02:00."""

    def test_the_short_night_ends_at_the_wall_time(self):
        assert out_of_quiet(at("2026-03-28T23:00+01:00"), quiet=NIGHT) == at(
            "2026-03-29T07:00+02:00"
        )

    def test_the_long_night_ends_at_the_wall_time(self):
        assert out_of_quiet(at("2026-10-24T23:00+02:00"), quiet=NIGHT) == at(
            "2026-10-25T07:00+01:00"
        )

    def test_an_end_that_does_not_exist_is_the_instant_after_the_gap(self):
        until_half_past_two = QuietHours(start=time(22), end=time(2, 30), zone=BERLIN)
        assert quiet_until(at("2026-03-29T01:30+01:00"), quiet=until_half_past_two) == at(
            "2026-03-29T03:30+02:00"
        )

    def test_an_end_that_comes_twice_has_come_at_the_first(self):
        until_half_past_two = QuietHours(start=time(22), end=time(2, 30), zone=BERLIN)
        second_quarter_past = at("2026-10-25T02:15+01:00")
        assert quiet_until(second_quarter_past, quiet=until_half_past_two) is None

    @pytest.mark.parametrize(
        ("day", "due"),
        [
            ("2026-03-28", "2026-03-28T10:00+01:00"),
            ("2026-03-29", "2026-03-29T10:00+02:00"),
            ("2026-10-24", "2026-10-24T10:00+02:00"),
            ("2026-10-25", "2026-10-25T10:00+01:00"),
        ],
    )
    def test_ten_in_the_morning_is_ten_on_the_clock(self, day, due):
        assert step_due(date.fromisoformat(day), days=0, zone=BERLIN) == at(due)

    def test_three_days_before_counts_days_not_hours(self):
        due = step_due(date(2026, 3, 31), days=-3, zone=BERLIN)
        assert due == at("2026-03-28T10:00+01:00")


@given(
    instant=st.datetimes(datetime(2025, 1, 1), datetime(2027, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    start=st.times(),
    hours=st.integers(1, 20),
    zone=st.sampled_from(["Europe/Berlin", "America/Toronto", "Australia/Lord_Howe", "UTC"]),
)
def test_what_is_moved_is_moved_on_out_of_the_quiet_hours(instant, start, hours, zone):
    end = (datetime.combine(date(2025, 1, 1), start) + timedelta(hours=hours)).time()
    quiet = QuietHours(start=start, end=end, zone=ZoneInfo(zone))
    moved = out_of_quiet(instant, quiet=quiet)
    assert instant <= moved < instant + timedelta(hours=hours + 2)
    assert quiet_until(moved, quiet=quiet) is None


def test_a_call_is_made_again_on_the_next_local_day():
    late = at("2026-02-23T23:30-05:00")
    assert call_again_at(late, zone=TORONTO) == at("2026-02-24T10:00-05:00")


@pytest.mark.parametrize(("attempt", "minutes"), [(1, 1), (2, 4), (3, 16), (4, 64)])
def test_pauses_grow_and_spread(attempt, minutes):
    middle = timedelta(minutes=minutes)
    assert pause_after(attempt, jitter=0.5) == middle
    assert pause_after(attempt, jitter=0) == middle / 2
    assert pause_after(attempt, jitter=1) == middle * 1.5


def test_a_provider_may_ask_for_a_longer_pause_within_reason():
    assert pause_after(1, jitter=0, asked=timedelta(minutes=10)) == timedelta(minutes=10)
    assert pause_after(4, jitter=0, asked=timedelta(seconds=1)) == timedelta(minutes=32)
    assert pause_after(1, jitter=0, asked=timedelta(days=3)) == timedelta(hours=6)
