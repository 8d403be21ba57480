"""How long a chain keeps what it knows of patients, with defaults that local law has to confirm.

`Chain.retention_policy` holds the values that differ from the defaults.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final

CAUTION: Final = (
    "How long medical records must be kept, and when they may or must go, local law decides; the "
    "defaults are a proposal and no advice. A record that a law, a court or a running dispute "
    "still needs is not erased. What was erased cannot be brought back, and is still in backups "
    "for as long as these are kept."
)


@dataclass(frozen=True, slots=True)
class Kept:
    """One value of the policy: its default, the least and the most it may be, what goes then."""

    default: int
    least: int
    most: int
    unit: str
    meaning: str
    source: str


YEARS: Final = "proposal of this service: ask local law before anything is erased"
DAYS: Final = "proposal of this service"
AUDIT: Final = "proposal of this service: ask local law how long an audit trail must be kept"

VALUES: Final[Mapping[str, Kept]] = {
    "record_years": Kept(
        10,
        1,
        120,
        "years",
        "after the last contact a patient is proposed for erasure; a person decides",
        YEARS,
    ),
    "provider_reference_days": Kept(
        400,
        30,
        3650,
        "d",
        "after a message left, the provider's names of it and of its reports are written over",
        DAYS,
    ),
    "calendar_feed_days": Kept(
        90, 1, 3650, "d", "after a calendar's address was closed, its row goes", DAYS
    ),
    "record_read_days": Kept(
        2200,
        365,
        36500,
        "d",
        "after a record was shown to somebody, the note of that goes",
        AUDIT,
    ),
    "history_days": Kept(
        11000,
        2200,
        45000,
        "d",
        "after a change, what the history says of it goes; the record itself stays",
        AUDIT,
    ),
}


class RetentionPolicyInvalid(ValueError):
    """A value that the policy cannot have; `field` names it and `rule` says why."""

    def __init__(self, field: str, rule: str, detail: str) -> None:
        super().__init__(detail)
        self.field = field
        self.rule = rule


@dataclass(frozen=True, slots=True)
class RetentionPolicy:
    """The values in force."""

    record_years: int
    provider_reference_days: int
    calendar_feed_days: int
    record_read_days: int
    history_days: int

    def kept_until(self, last_contact: date) -> date:
        """The day from which a record need not be kept for this policy."""
        year = last_contact.year + self.record_years
        if year > date.max.year:
            return date.max
        return _in_year(last_contact, year)

    def records_before(self, today: date) -> date:
        """Records whose last contact was before this day need not be kept any more."""
        return _in_year(today, max(today.year - self.record_years, date.min.year))

    def references_before(self, now: datetime) -> datetime:
        """Messages that left before are known by no provider's name."""
        return now - timedelta(days=self.provider_reference_days)

    def feeds_before(self, now: datetime) -> datetime:
        """Calendars closed before leave no row."""
        return now - timedelta(days=self.calendar_feed_days)

    def reads_before(self, now: datetime) -> datetime:
        """Notes of who was shown a record before are kept no longer."""
        return now - timedelta(days=self.record_read_days)

    def changes_before(self, now: datetime) -> datetime:
        """The history of changes made before is kept no longer."""
        return now - timedelta(days=self.history_days)


def retention_policy_of(given: Mapping[str, Any]) -> RetentionPolicy:
    """The policy of a chain. Raises RetentionPolicyInvalid (a ValueError)."""
    for name, value in given.items():
        if name not in VALUES:
            raise RetentionPolicyInvalid(name, "unknown", f"One of: {', '.join(VALUES)}.")
        bounds = VALUES[name]
        if isinstance(value, bool) or not isinstance(value, int):
            raise RetentionPolicyInvalid(name, "not_whole", f"A whole number of {bounds.unit}.")
        if not bounds.least <= value <= bounds.most:
            raise RetentionPolicyInvalid(
                name, "out_of_range", f"{bounds.least} to {bounds.most} {bounds.unit}."
            )
    return RetentionPolicy(**{name: given.get(name, one.default) for name, one in VALUES.items()})


def _in_year(day: date, year: int) -> date:
    try:
        return day.replace(year=year)
    except ValueError:
        # The 29 February of a common year.
        return date(year, 3, 1)
