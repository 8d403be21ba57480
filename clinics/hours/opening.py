"""When a clinic is open: weekly rules, public holidays, overrides and closures as UTC spans."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, time
from enum import StrEnum
from zoneinfo import ZoneInfo

from clinics.hours.public_holidays import holiday_name
from clinics.hours.rules import ClinicCalendar, DateOverride, WeeklyRule
from clinics.hours.wall_time import MIDNIGHT, ONE_DAY, instant_at, local_day_end, local_day_start
from clinics.vocabulary import HolidayTreatment
from core.spans import Span, merge, subtract

Hours = tuple[time, time]


class DayReason(StrEnum):
    """What decides the hours of one date."""

    WEEKLY = "weekly"
    PUBLIC_HOLIDAY = "public_holiday"
    OVERRIDE_CLOSED = "override_closed"
    OVERRIDE_OPEN = "override_open"


@dataclass(frozen=True, slots=True)
class DayHours:
    """The hours of one local date before closures, and what decided them."""

    day: date
    hours: tuple[Hours, ...]
    reason: DayReason
    holiday: str | None = None


def opening_spans(calendar: ClinicCalendar, *, from_date: date, to_date: date) -> list[Span]:
    """When the clinic is open on local dates from `from_date` up to, not including, `to_date`.

    Sorted, disjoint, half-open UTC spans; hours that touch are one span. A closing time that the
    clocks carry before its opening time (both inside the hour that is skipped) gives no span.
    Raises UnknownRegion.
    """
    spans = [
        span
        for day in _days(from_date, to_date)
        for span in _on(day, day_hours(calendar, day).hours, calendar.zone)
    ]
    return subtract(merge(spans), calendar.closures)


def weekly_spans(
    rules: Iterable[WeeklyRule], *, zone: ZoneInfo, from_date: date, to_date: date
) -> list[Span]:
    """What weekly rules alone say, for shifts or wishes: no holidays, no closures.

    Same dates and same kind of spans as `opening_spans`.
    """
    rules = tuple(rules)
    return merge(
        span for day in _days(from_date, to_date) for span in _on(day, _weekly(rules, day), zone)
    )


def day_hours(calendar: ClinicCalendar, day: date) -> DayHours:
    """The hours of one date in wall time, and whether rule, holiday or override decided them.

    Raises UnknownRegion.
    """
    holiday = holiday_name(day, country=calendar.country, subdivision=calendar.subdivision)
    overrides = [override for override in calendar.overrides if override.day == day]
    weekly = _weekly(calendar.weekly, day)
    if any(override.treatment == HolidayTreatment.CLOSED for override in overrides):
        return DayHours(day, (), DayReason.OVERRIDE_CLOSED, holiday)
    if overrides:
        return DayHours(day, _own(overrides) or weekly, DayReason.OVERRIDE_OPEN, holiday)
    if holiday is not None:
        return DayHours(day, (), DayReason.PUBLIC_HOLIDAY, holiday)
    return DayHours(day, weekly, DayReason.WEEKLY)


def _days(from_date: date, to_date: date) -> Iterator[date]:
    day = from_date
    while day < to_date:
        yield day
        day += ONE_DAY


def _weekly(rules: Iterable[WeeklyRule], day: date) -> tuple[Hours, ...]:
    return tuple((rule.opens, rule.closes) for rule in rules if rule.holds_on(day))


def _own(overrides: Iterable[DateOverride]) -> tuple[Hours, ...]:
    return tuple(
        (override.opens, override.closes)
        for override in overrides
        if override.opens is not None and override.closes is not None
    )


def _on(day: date, hours: Iterable[Hours], zone: ZoneInfo) -> Iterator[Span]:
    """Wall time of one date as spans; a date that the zone skipped altogether has none."""
    if local_day_start(day, zone) == local_day_end(day, zone):
        return
    for opens, closes in hours:
        start = instant_at(day, opens, zone=zone)
        ends_day = closes == MIDNIGHT
        end = local_day_end(day, zone) if ends_day else instant_at(day, closes, zone=zone)
        if start < end:
            yield Span(start, end)
