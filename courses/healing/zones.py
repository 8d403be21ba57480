"""From local dates of a clinic to instants and back, right on days the clocks change."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from courses.science.errors import InvalidInput

_SECOND = timedelta(seconds=1)


def earliest_instant(day: date, *, zone: str) -> datetime:
    """The first UTC instant that is not before the start of `day` in the IANA `zone`.

    Where clocks skip midnight, the day starts when they have. Raises InvalidInput for a zone
    that is not known.
    """
    zone_info = _zone(zone)
    start = datetime.combine(day, time(), tzinfo=zone_info).astimezone(UTC)
    if start.astimezone(zone_info).replace(tzinfo=None) == datetime.combine(day, time()):
        return start
    before, after = start - timedelta(days=1), start
    while after - before > _SECOND:
        middle = (before + (after - before) / 2).replace(microsecond=0)
        if middle.astimezone(zone_info).date() < day:
            before = middle
        else:
            after = middle
    return after


def local_date(instant: datetime, *, zone: str) -> date:
    """The calendar date at `instant` in the IANA `zone`.

    Raises InvalidInput for a naive instant or a zone that is not known.
    """
    if instant.tzinfo is None:
        raise InvalidInput(
            field="instant", rule="instant-naive", message="An instant needs an offset."
        )
    return instant.astimezone(_zone(zone)).date()


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (KeyError, OSError, ValueError) as error:
        raise InvalidInput(
            field="time_zone", rule="zone-unknown", message=f"There is no time zone {name!r}."
        ) from error
