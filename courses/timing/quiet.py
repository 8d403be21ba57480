"""Hours in which a person wants to be left alone, as spans of instants.

Spans, not a look at the clock's face: on the night the clocks go back a wall time comes twice,
and quiet hours that end at the first one have ended.
"""

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from clinics.hours.wall_time import instant_at, local_date

ONE_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class QuietHours:
    """Every day from `start` until `end`, local wall time in `zone`.

    They pass midnight when `end` is earlier; the same time twice means none.
    """

    start: time
    end: time
    zone: ZoneInfo


def quiet_until(instant: datetime, *, quiet: QuietHours | None) -> datetime | None:
    """The UTC instant at which the quiet hours around `instant` end; None outside of them."""
    if quiet is None or quiet.start == quiet.end:
        return None
    today = local_date(instant, quiet.zone)
    nights = 1 if quiet.end < quiet.start else 0
    for day in (today - ONE_DAY, today):
        begins = instant_at(day, quiet.start, zone=quiet.zone)
        ends = instant_at(day + nights * ONE_DAY, quiet.end, zone=quiet.zone)
        if begins <= instant < ends:
            return ends
    return None


def out_of_quiet(instant: datetime, *, quiet: QuietHours | None) -> datetime:
    """`instant`, or the end of the quiet hours it lies in."""
    return quiet_until(instant, quiet=quiet) or instant
