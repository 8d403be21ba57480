"""The right hour: out of a person's quiet hours, and not on a day on which the clinic is closed."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from clinics.hours.wall_time import instant_at, local_date
from courses.timing.quiet import QuietHours, out_of_quiet

# A clinic that is closed for longer has nobody to wait for.
LONGEST_CLOSURE_DAYS: Final = 31
LONGEST_WAIT: Final = timedelta(days=2 * LONGEST_CLOSURE_DAYS)


@dataclass(frozen=True, slots=True)
class OpenDays:
    """The days of one clinic: `closed` says of a local date in `zone` whether it is closed.

    What waits for an open day goes at its civil `hour`.
    """

    zone: ZoneInfo
    hour: time
    closed: Callable[[date], bool]


def out_of_closed(instant: datetime, *, days: OpenDays | None) -> datetime:
    """`instant`, or the civil hour of the next open day when it lies on a closed one. UTC.

    After a month of closed days in a row the calendar is not asked any more.
    """
    if days is None:
        return instant
    day = local_date(instant, days.zone)
    if not days.closed(day):
        return instant
    for ahead in range(1, LONGEST_CLOSURE_DAYS + 1):
        later = day + timedelta(days=ahead)
        if not days.closed(later):
            return max(instant, instant_at(later, days.hour, zone=days.zone))
    return instant


def right_hour(instant: datetime, *, quiet: QuietHours | None, days: OpenDays | None) -> datetime:
    """The first instant from `instant` on at which a message may leave. UTC.

    The end of the quiet hours may lie on a closed day, and the civil hour of an open one in quiet
    hours: each is asked until both agree. Where they do not within two months (who sleeps whenever
    the clinic is open), the quiet hours alone count.
    """
    awake = at = out_of_quiet(instant, quiet=quiet)
    while at - instant < LONGEST_WAIT:
        moved = out_of_closed(at, days=days)
        if moved == at:
            return at
        at = out_of_quiet(moved, quiet=quiet)
    return awake
