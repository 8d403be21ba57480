"""The day around which the demonstration is made up."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from random import Random

from courses.slots import CELLS_PER_DAY, Grid

# At this time no clinic of the demonstration has opened yet, and all show the same date.
DAY_STARTS = time(6, tzinfo=UTC)
HISTORY_DAYS = 365
# Shifts and memberships begin a little before the first session.
LEAD_DAYS = 21
BOOKED_DAYS = 56
AHEAD_DAYS = 77
DEFAULT_SEED = 20260401


@dataclass(frozen=True, slots=True)
class Moment:
    """`today` splits history from plans: what lies before its start has happened."""

    today: date
    seed: int = DEFAULT_SEED

    @classmethod
    def at(cls, now: datetime, *, seed: int = DEFAULT_SEED) -> "Moment":
        """The newest day of the demonstration that has begun at `now`."""
        return cls((now.astimezone(UTC) - _clock(DAY_STARTS)).date(), seed)

    @property
    def now(self) -> datetime:
        """The instant at which the day begins."""
        return datetime.combine(self.today, DAY_STARTS)

    @property
    def first_day(self) -> date:
        """The first day of history."""
        return self.days_ago(HISTORY_DAYS)

    @property
    def opened_on(self) -> date:
        """From when opening rules, credentials and roles hold."""
        return self.days_ago(HISTORY_DAYS + LEAD_DAYS)

    @property
    def last_day(self) -> date:
        """The last day with shifts."""
        return self.today + timedelta(days=AHEAD_DAYS)

    @property
    def grid(self) -> Grid:
        """Cells of 5 minutes over everything."""
        start = datetime.combine(self.opened_on, time(0), tzinfo=UTC)
        return Grid(start, CELLS_PER_DAY * (HISTORY_DAYS + LEAD_DAYS + AHEAD_DAYS + 2))

    def days_ago(self, days: int) -> date:
        """The date so many days before today."""
        return self.today - timedelta(days=days)

    def chance(self, *purpose: object) -> Random:
        """A stream of random numbers of its own for each purpose."""
        text = ":".join(str(part) for part in (self.seed, *purpose))
        return Random(text)  # noqa: S311 - invented data, no secrets


def _clock(wall: time) -> timedelta:
    return timedelta(hours=wall.hour, minutes=wall.minute)
