from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinics.hours import (
    BadHours,
    ClinicCalendar,
    DateOverride,
    DayReason,
    UnknownRegion,
    WeeklyRule,
    day_hours,
    opening_spans,
    weekly_spans,
)
from clinics.vocabulary import HolidayTreatment
from core.spans import Span, merge

BERLIN = ZoneInfo("Europe/Berlin")
MONDAY, SUNDAY = 1, 7


def at(*parts):
    return datetime(*parts, tzinfo=UTC)


def every_day(opens, closes, **validity):
    return tuple(WeeklyRule(day, opens, closes, **validity) for day in range(1, 8))


def test_several_hours_a_day_become_several_spans():
    calendar = ClinicCalendar(
        BERLIN,
        (WeeklyRule(MONDAY, time(9), time(12)), WeeklyRule(MONDAY, time(14), time(19))),
    )
    spans = opening_spans(calendar, from_date=date(2026, 6, 1), to_date=date(2026, 6, 8))
    assert spans == [
        Span(at(2026, 6, 1, 7), at(2026, 6, 1, 10)),
        Span(at(2026, 6, 1, 12), at(2026, 6, 1, 17)),
    ]


def test_hours_until_midnight_join_the_next_day():
    rules = (WeeklyRule(MONDAY, time(18), time(0)), WeeklyRule(2, time(0), time(2)))
    calendar = ClinicCalendar(ZoneInfo("UTC"), rules)
    spans = opening_spans(calendar, from_date=date(2026, 6, 1), to_date=date(2026, 6, 3))
    assert spans == [Span(at(2026, 6, 1, 18), at(2026, 6, 2, 2))]


def test_rule_holds_from_its_first_day_until_the_day_before_its_end():
    rules = every_day(time(9), time(10), valid_from=date(2026, 6, 2), valid_until=date(2026, 6, 4))
    calendar = ClinicCalendar(ZoneInfo("UTC"), rules)
    spans = opening_spans(calendar, from_date=date(2026, 6, 1), to_date=date(2026, 6, 8))
    assert [span.start.day for span in spans] == [2, 3]


def test_closure_cuts_a_hole():
    closure = Span(at(2026, 6, 1, 11), at(2026, 6, 1, 12))
    calendar = ClinicCalendar(ZoneInfo("UTC"), every_day(time(9), time(17)), closures=(closure,))
    spans = opening_spans(calendar, from_date=date(2026, 6, 1), to_date=date(2026, 6, 2))
    assert spans == [
        Span(at(2026, 6, 1, 9), at(2026, 6, 1, 11)),
        Span(at(2026, 6, 1, 12), at(2026, 6, 1, 17)),
    ]


LABOUR_DAY = date(2026, 5, 1)


@pytest.mark.parametrize(
    ("overrides", "hours", "reason"),
    [
        ((), (), DayReason.PUBLIC_HOLIDAY),
        (
            (DateOverride(LABOUR_DAY, HolidayTreatment.OPEN),),
            ((time(9), time(17)),),
            DayReason.OVERRIDE_OPEN,
        ),
        (
            (DateOverride(LABOUR_DAY, HolidayTreatment.OPEN, time(10), time(14)),),
            ((time(10), time(14)),),
            DayReason.OVERRIDE_OPEN,
        ),
        (
            (
                DateOverride(LABOUR_DAY, HolidayTreatment.OPEN, time(10), time(14)),
                DateOverride(LABOUR_DAY, HolidayTreatment.CLOSED),
            ),
            (),
            DayReason.OVERRIDE_CLOSED,
        ),
    ],
)
def test_overrides_decide_a_public_holiday(overrides, hours, reason):
    calendar = ClinicCalendar(
        BERLIN, every_day(time(9), time(17)), overrides=overrides, country="DE"
    )
    found = day_hours(calendar, LABOUR_DAY)
    assert (found.hours, found.reason) == (hours, reason)
    assert found.holiday


def test_override_opens_a_day_without_weekly_hours():
    sunday = date(2026, 6, 7)
    calendar = ClinicCalendar(
        ZoneInfo("UTC"),
        (WeeklyRule(MONDAY, time(9), time(17)),),
        overrides=(DateOverride(sunday, HolidayTreatment.OPEN, time(10), time(14)),),
    )
    spans = opening_spans(calendar, from_date=sunday, to_date=date(2026, 6, 8))
    assert spans == [Span(at(2026, 6, 7, 10), at(2026, 6, 7, 14))]


def test_without_a_country_no_day_is_a_holiday():
    calendar = ClinicCalendar(BERLIN, every_day(time(9), time(17)))
    assert day_hours(calendar, date(2026, 12, 25)).reason == DayReason.WEEKLY


def test_unknown_region_is_refused():
    calendar = ClinicCalendar(BERLIN, every_day(time(9), time(17)), country="DE", subdivision="ZZ")
    with pytest.raises(UnknownRegion):
        day_hours(calendar, LABOUR_DAY)


@pytest.mark.parametrize(
    "arguments",
    [
        (0, time(9), time(17)),
        (8, time(9), time(17)),
        (1, time(17), time(9)),
        (1, time(9), time(9)),
        (1, time(9, tzinfo=UTC), time(17)),
        (1, time(9), time(17), date(2026, 1, 2), date(2026, 1, 2)),
    ],
)
def test_rule_that_cannot_be_kept_is_refused(arguments):
    with pytest.raises(BadHours):
        WeeklyRule(*arguments)


@pytest.mark.parametrize(
    "arguments",
    [
        (HolidayTreatment.OPEN, time(9), None),
        (HolidayTreatment.CLOSED, time(9), time(12)),
        (HolidayTreatment.OPEN, time(12), time(9)),
    ],
)
def test_override_that_cannot_be_kept_is_refused(arguments):
    with pytest.raises(BadHours):
        DateOverride(date(2026, 1, 1), *arguments)


quarter_hours = st.integers(0, 95).map(lambda n: time(n // 4, n % 4 * 15))


@given(
    zone=st.sampled_from(["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC"]),
    hours=st.lists(st.tuples(quarter_hours, quarter_hours), min_size=1, max_size=4),
    first=st.dates(date(2026, 1, 1), date(2026, 12, 31)),
)
def test_spans_are_sorted_disjoint_and_do_not_depend_on_where_a_range_is_cut(zone, hours, first):
    rules = [
        WeeklyRule(day, opens, closes)
        for opens, closes in hours
        if closes > opens
        for day in range(1, 8)
    ]
    middle, last = (date.fromordinal(first.toordinal() + days) for days in (4, 9))
    name = ZoneInfo(zone)
    whole = weekly_spans(rules, zone=name, from_date=first, to_date=last)
    halves = weekly_spans(rules, zone=name, from_date=first, to_date=middle)
    halves += weekly_spans(rules, zone=name, from_date=middle, to_date=last)
    assert whole == merge(whole) == merge(halves)
