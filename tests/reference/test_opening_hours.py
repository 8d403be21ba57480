"""Opening hours against the outside: the tz database and public holidays.

Sources, beside each check: the IANA tz database through the standard library's `zoneinfo`; the
`holidays` library; the dates of the change of clocks, from the rules of the tz database.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import holidays
import pytest

from clinics.hours import (
    ClinicCalendar,
    DateOverride,
    WeeklyRule,
    local_day_end,
    local_day_start,
    opening_spans,
    public_holidays,
)
from clinics.vocabulary import HolidayTreatment
from core.spans import Span

# Days on which clocks change: (zone, date, hours in that local day). IANA tz database.
CLOCK_CHANGES = [
    ("Europe/Berlin", date(2026, 3, 29), 23.0),
    ("Europe/Berlin", date(2026, 10, 25), 25.0),
    ("Europe/London", date(2026, 3, 29), 23.0),
    ("Europe/London", date(2026, 10, 25), 25.0),
    ("America/New_York", date(2026, 3, 8), 23.0),
    ("America/New_York", date(2026, 11, 1), 25.0),
    ("Australia/Sydney", date(2026, 4, 5), 25.0),
    ("Australia/Sydney", date(2026, 10, 4), 23.0),
    ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
    ("Australia/Lord_Howe", date(2026, 10, 4), 23.5),
    ("Asia/Beirut", date(2026, 3, 29), 23.0),
    ("Africa/Cairo", date(2026, 4, 24), 23.0),
    ("America/Havana", date(2026, 11, 1), 25.0),
    ("Asia/Kathmandu", date(2026, 3, 29), 24.0),
]
ROUND_THE_CLOCK = tuple(WeeklyRule(day, time(0), time(0)) for day in range(1, 8))
HOURS = tuple(WeeklyRule(day, time(9), time(17, 30)) for day in range(1, 8))


@pytest.mark.parametrize(("zone", "day", "hours"), CLOCK_CHANGES)
def test_open_round_the_clock_is_as_long_as_the_day(zone, day, hours):
    calendar = ClinicCalendar(ZoneInfo(zone), ROUND_THE_CLOCK)
    (span,) = opening_spans(calendar, from_date=day, to_date=day + timedelta(days=1))
    assert span.duration == timedelta(hours=hours)


@pytest.mark.parametrize(("zone", "day", "hours"), CLOCK_CHANGES)
def test_every_instant_inside_reads_as_an_opening_hour_on_the_local_clock(zone, day, hours):
    """Outside: `zoneinfo` turns each quarter of an hour back into local wall time."""
    clock = ZoneInfo(zone)
    calendar = ClinicCalendar(clock, HOURS)
    first, last = day - timedelta(days=1), day + timedelta(days=2)
    spans = opening_spans(calendar, from_date=first, to_date=last)
    instant = local_day_start(first, clock)
    while instant < local_day_end(last - timedelta(days=1), clock):
        shown = instant.astimezone(clock).time()
        expected = time(9) <= shown < time(17, 30)
        assert any(span.contains(instant) for span in spans) == expected, instant
        instant += timedelta(minutes=15)


@pytest.mark.parametrize(("zone", "day", "hours"), CLOCK_CHANGES)
def test_day_starts_at_the_first_instant_that_shows_its_date(zone, day, hours):
    """Outside: a walk over the minutes with `zoneinfo`."""
    clock = ZoneInfo(zone)
    instant = datetime.combine(day - timedelta(days=2), time(0), tzinfo=UTC)
    while instant.astimezone(clock).date() < day:
        instant += timedelta(minutes=1)
    assert local_day_start(day, clock) == instant


def test_hours_that_begin_inside_the_gap_begin_an_hour_later_on_the_clock():
    """PEP 495 (peps.python.org/pep-0495): in a gap, fold=0 takes the offset before it."""
    calendar = ClinicCalendar(ZoneInfo("Europe/Berlin"), (WeeklyRule(7, time(2, 30), time(6)),))
    day = date(2026, 3, 29)
    (span,) = opening_spans(calendar, from_date=day, to_date=day + timedelta(days=1))
    assert span == Span(
        datetime(2026, 3, 29, 1, 30, tzinfo=UTC), datetime(2026, 3, 29, 4, tzinfo=UTC)
    )


def test_hours_inside_the_repeated_hour_are_the_first_of_the_two():
    """PEP 495 (peps.python.org/pep-0495): in a fold, fold=0 is the first occurrence."""
    calendar = ClinicCalendar(ZoneInfo("Europe/Berlin"), (WeeklyRule(7, time(2, 15), time(2, 45)),))
    day = date(2026, 10, 25)
    (span,) = opening_spans(calendar, from_date=day, to_date=day + timedelta(days=1))
    assert span == Span(
        datetime(2026, 10, 25, 0, 15, tzinfo=UTC), datetime(2026, 10, 25, 0, 45, tzinfo=UTC)
    )


def test_date_that_a_zone_skipped_has_no_hours():
    """IANA tz database: Samoa skipped 30 December 2011."""
    calendar = ClinicCalendar(ZoneInfo("Pacific/Apia"), HOURS)
    spans = opening_spans(calendar, from_date=date(2011, 12, 29), to_date=date(2012, 1, 1))
    shown = [span.start.astimezone(ZoneInfo("Pacific/Apia")).date().day for span in spans]
    assert shown == [29, 31]


@pytest.mark.parametrize(
    ("country", "subdivision", "zone"),
    [
        ("DE", "BE", "Europe/Berlin"),
        ("DE", "BY", "Europe/Berlin"),
        ("GB", "SCT", "Europe/London"),
        ("US", "NY", "America/New_York"),
        ("AU", "NSW", "Australia/Sydney"),
        ("CH", "ZH", "Europe/Zurich"),
    ],
)
def test_closed_exactly_on_the_public_holidays_of_a_year(country, subdivision, zone):
    """Outside: the `holidays` library, asked by its own date index."""
    clock = ZoneInfo(zone)
    calendar = ClinicCalendar(clock, HOURS, country=country, subdivision=subdivision)
    spans = opening_spans(calendar, from_date=date(2027, 1, 1), to_date=date(2028, 1, 1))
    open_on = {span.start.astimezone(clock).date() for span in spans}
    kept = holidays.country_holidays(country, subdiv=subdivision)
    day = date(2027, 1, 1)
    while day.year == 2027:
        assert (day in open_on) == (day not in kept), day
        day += timedelta(days=1)


def test_movable_feasts_that_everyone_can_look_up():
    """Easter Monday 2026 is 6 April, 2027 is 29 March (published tables of Easter dates)."""
    assert date(2026, 4, 6) in public_holidays("DE", "BE", 2026)
    assert date(2027, 3, 29) in public_holidays("DE", "BE", 2027)
    assert date(2026, 4, 6) not in public_holidays("GB", "SCT", 2026)


def test_opening_despite_a_holiday_on_a_day_when_clocks_change():
    """Easter Sunday 2024 (31 March) was also the day the clocks changed in Europe."""
    day = date(2024, 3, 31)
    calendar = ClinicCalendar(
        ZoneInfo("Europe/Berlin"),
        HOURS,
        overrides=(DateOverride(day, HolidayTreatment.OPEN, time(1), time(5)),),
        country="DE",
        subdivision="BB",
    )
    (span,) = opening_spans(calendar, from_date=day, to_date=day + timedelta(days=1))
    assert span.duration == timedelta(hours=3)
    closed = ClinicCalendar(ZoneInfo("Europe/Berlin"), HOURS, country="DE", subdivision="BB")
    assert not opening_spans(closed, from_date=day, to_date=day + timedelta(days=1))


def test_clinics_in_different_zones_open_at_different_instants():
    day = date(2026, 7, 1)
    starts = [
        opening_spans(
            ClinicCalendar(ZoneInfo(zone), HOURS), from_date=day, to_date=day + timedelta(days=1)
        )[0].start.hour
        for zone in ("Europe/London", "Europe/Berlin", "America/New_York")
    ]
    assert starts == [8, 7, 13]
