"""The right hour over every clock change of ten zones, against the wall clock itself.

Outside: the IANA time zone database as `zoneinfo` of the standard library reads it (PEP 615), the
meaning of `fold` in PEP 495. The oracle asks no code of ours: it steps through the minutes and
reads the clock on the wall.
"""

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from courses.timing import OpenDays, QuietHours, out_of_quiet, right_hour, step_due

ZONES = (
    "Europe/Berlin",
    "Europe/London",
    "America/New_York",
    "America/Sao_Paulo",
    "America/St_Johns",
    "Asia/Tehran",
    "Asia/Amman",
    "Australia/Lord_Howe",
    "Pacific/Apia",
    "Africa/Casablanca",
)
FIRST, LAST = datetime(2005, 1, 1, tzinfo=UTC), datetime(2031, 1, 1, tzinfo=UTC)
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
NIGHTS = ((time(20), time(8)), (time(22, 30), time(7, 15)), (time(0), time(6)))


@lru_cache
def transitions(name: str) -> tuple[datetime, ...]:
    """Every instant from FIRST to LAST at which the zone's offset changes, to the second."""
    zone, found, at = ZoneInfo(name), [], FIRST
    while at < LAST:
        if at.astimezone(zone).utcoffset() != (at + DAY).astimezone(zone).utcoffset():
            low, high = at, at + DAY
            while high - low > timedelta(seconds=1):
                middle = low + (high - low) // 2
                same = middle.astimezone(zone).utcoffset() == low.astimezone(zone).utcoffset()
                low, high = (middle, high) if same else (low, middle)
            found.append(high.replace(microsecond=0))
        at += DAY
    return tuple(found)


def sleeps(instant: datetime, start: time, end: time, zone: ZoneInfo) -> bool:
    """Whether the wall clock stands in the quiet hours."""
    wall = instant.astimezone(zone).time()
    return start <= wall < end if start < end else wall >= start or wall < end


def test_the_zones_do_change_their_clocks():
    assert min(len(transitions(name)) for name in ZONES) > 10


@pytest.mark.parametrize("name", ZONES)
@pytest.mark.parametrize(("start", "end"), NIGHTS)
def test_around_every_change_it_leaves_at_the_first_waking_minute(name, start, end):
    """Ends of quiet hours that the clocks skip or repeat are tested by themselves."""
    zone = ZoneInfo(name)
    quiet = QuietHours(start=start, end=end, zone=zone)
    for change in transitions(name):
        for hours in (-14, -5, -1, 0, 1, 6, 11):
            instant = change.replace(second=0) + hours * HOUR
            if _edges_are_skipped_or_repeated(instant, (start, end), zone):
                continue
            expected = instant
            while sleeps(expected, start, end, zone):
                expected += MINUTE
            assert out_of_quiet(instant, quiet=quiet) == expected, (name, instant)


def _edges_are_skipped_or_repeated(
    instant: datetime, edges: tuple[time, ...], zone: ZoneInfo
) -> bool:
    local = instant.astimezone(zone).date()
    for days in (-1, 0, 1):
        for edge in edges:
            wall = datetime.combine(local + days * DAY, edge, tzinfo=zone)
            if wall.utcoffset() != wall.replace(fold=1).utcoffset():
                return True
    return False


@pytest.mark.parametrize("name", ZONES)
def test_the_civil_hour_shows_on_the_clock_on_every_day_of_a_change(name):
    """Ten o'clock is skipped nowhere: the day that Samoa left out (30 December 2011) apart."""
    zone = ZoneInfo(name)
    for change in transitions(name):
        for days in (-1, 0, 1):
            day = change.astimezone(zone).date() + days * DAY
            if name == "Pacific/Apia" and day == date(2011, 12, 30):
                continue
            shown = step_due(day, days=0, zone=zone).astimezone(zone)
            assert (shown.date(), shown.time()) == (day, time(10))


@pytest.mark.parametrize("name", ZONES)
def test_days_before_are_calendar_days_over_every_change(name):
    zone = ZoneInfo(name)
    for change in transitions(name):
        day = change.astimezone(zone).date() + DAY
        due = step_due(day, days=-3, zone=zone).astimezone(zone)
        if due.date() != date(2011, 12, 31):
            assert due.date() == day - 3 * DAY


@st.composite
def near_changes(draw):
    """A zone and an instant within two days of one of its changes."""
    name = draw(st.sampled_from(ZONES))
    change = draw(st.sampled_from(transitions(name)))
    return ZoneInfo(name), change + draw(st.integers(-2880, 2880)) * MINUTE


@given(
    near_changes(),
    st.times().map(lambda wall: wall.replace(second=0, microsecond=0)),
    st.integers(1, 20),
    st.sets(st.integers(1, 7), max_size=6),
)
@settings(max_examples=500)
def test_the_right_hour_is_later_waking_and_open(near, start, hours, closed_weekdays):
    zone, instant = near
    end = (datetime.combine(date(2020, 1, 1), start) + hours * HOUR).time()
    quiet = QuietHours(start=start, end=end, zone=zone)
    days = OpenDays(
        zone=zone, hour=time(10), closed=lambda day: day.isoweekday() in closed_weekdays
    )
    found = right_hour(instant, quiet=quiet, days=days)
    assert found >= instant
    assert out_of_quiet(found, quiet=quiet) == found
    # Who sleeps at the civil hour may have no waking hour on any open day.
    if not sleeps(datetime(2020, 1, 1, 10, tzinfo=zone), start, end, zone):
        assert found.astimezone(zone).isoweekday() not in closed_weekdays


@given(near_changes(), st.integers(1, 20))
def test_without_quiet_hours_and_closed_days_nothing_moves(near, hours):
    zone, instant = near
    never = QuietHours(start=time(hours), end=time(hours), zone=zone)
    assert right_hour(instant, quiet=never, days=None) == instant
