"""Local wall time to instants, right on the days when the clocks change.

One rule for every wall time, opening or closing, so that rules that meet on the clock also meet
in time: where the wall time does not exist (clocks go forward) the offset before the gap holds;
where it exists twice (clocks go back) the first one counts. This is what PEP 495 calls
`fold=0` (peps.python.org/pep-0495).
"""

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

MIDNIGHT = time(0)
ONE_DAY = timedelta(days=1)


class UnknownZone(ValueError):
    """No IANA time zone has this name."""


@lru_cache(maxsize=256)
def zone_named(name: str) -> ZoneInfo:
    """The IANA zone of that name. Raises UnknownZone."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as problem:
        raise UnknownZone(f"no IANA time zone is called {name!r}") from problem


def instant_at(day: date, wall: time, *, zone: ZoneInfo) -> datetime:
    """The UTC instant at which clocks in `zone` show `wall` on `day`."""
    return datetime.combine(day, wall.replace(fold=0), tzinfo=zone).astimezone(UTC)


def local_day_start(day: date, zone: ZoneInfo) -> datetime:
    """The UTC instant at which `day` begins in `zone`.

    Where clocks skip midnight this is the first instant of the day, not an hour before it.
    """
    return instant_at(day, MIDNIGHT, zone=zone)


def local_day_end(day: date, zone: ZoneInfo) -> datetime:
    """The UTC instant at which `day` is over in `zone`: the start of the next day."""
    return local_day_start(day + ONE_DAY, zone)


def local_date(instant: datetime, zone: ZoneInfo) -> date:
    """The date that a calendar in `zone` shows at `instant`. Raises ValueError when naive."""
    if instant.utcoffset() is None:
        raise ValueError("an instant needs an offset")
    return instant.astimezone(zone).date()
