"""What is known about when a clinic is open."""

from dataclasses import dataclass
from datetime import date, time
from zoneinfo import ZoneInfo

from clinics.hours.wall_time import MIDNIGHT
from clinics.vocabulary import HolidayTreatment
from core.spans import Span


class BadHours(ValueError):
    """A rule that can never be kept: unknown weekday, closing before opening, empty validity."""


def check_hours(opens: time, closes: time) -> None:
    """Refuse hours that close before they open; a closing time of 00:00 ends the day.

    Raises BadHours. Hours past midnight are written as two rules, one for each day: a weekday
    rule then says which day it belongs to, and a slip such as 18:00-08:00 is caught.
    """
    if opens.tzinfo is not None or closes.tzinfo is not None:
        raise BadHours("opening hours are wall time, without a zone")
    if closes != MIDNIGHT and closes <= opens:
        raise BadHours(f"closes at {closes:%H:%M}, not after it opens at {opens:%H:%M}")


@dataclass(frozen=True, slots=True)
class WeeklyRule:
    """Open on one weekday (ISO 8601: 1 Monday to 7 Sunday) from `opens` to `closes`.

    Local wall time; `closes` of 00:00 is the midnight that ends the day. The rule holds on local
    dates from `valid_from` (None: always did) up to, not including, `valid_until` (None: no end).
    A weekday may have several rules.
    """

    weekday: int
    opens: time
    closes: time
    valid_from: date | None = None
    valid_until: date | None = None

    def __post_init__(self) -> None:
        """Raise BadHours for a rule that cannot be kept."""
        if not 1 <= self.weekday <= 7:
            raise BadHours(f"weekday {self.weekday} is not one of 1 (Monday) to 7 (Sunday)")
        check_hours(self.opens, self.closes)
        if self.valid_from and self.valid_until and self.valid_until <= self.valid_from:
            raise BadHours(f"valid until {self.valid_until}, not after {self.valid_from}")

    def holds_on(self, day: date) -> bool:
        """Whether the rule says anything about `day`."""
        return (
            day.isoweekday() == self.weekday
            and (self.valid_from is None or self.valid_from <= day)
            and (self.valid_until is None or day < self.valid_until)
        )


@dataclass(frozen=True, slots=True)
class DateOverride:
    """One date on which a clinic departs from the public holidays or the weekly rules.

    `closed`: the whole day. `open` without hours: the weekly rules hold although it is a public
    holiday. `open` with hours: those hours, whatever the weekly rules say. Several overrides with
    hours may share a date; `closed` beats them all.
    """

    day: date
    treatment: HolidayTreatment
    opens: time | None = None
    closes: time | None = None

    def __post_init__(self) -> None:
        """Raise BadHours for half-given hours, or hours on a closed day."""
        if (self.opens is None) != (self.closes is None):
            raise BadHours("an override has both opening and closing time, or neither")
        if self.opens is not None and self.closes is not None:
            if self.treatment == HolidayTreatment.CLOSED:
                raise BadHours("a closed day has no hours")
            check_hours(self.opens, self.closes)


@dataclass(frozen=True, slots=True)
class ClinicCalendar:
    """All that decides when one clinic is open.

    `country` (ISO 3166-1 alpha-2) and `subdivision` (the part after the dash of ISO 3166-2) name
    the public holidays on which it is closed; an empty country means it keeps none.
    """

    zone: ZoneInfo
    weekly: tuple[WeeklyRule, ...]
    closures: tuple[Span, ...] = ()
    overrides: tuple[DateOverride, ...] = ()
    country: str = ""
    subdivision: str = ""
