"""Due times: a civil hour on a local day."""

from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from clinics.hours.wall_time import instant_at, local_date

CIVIL_HOUR: Final = time(10)


def step_due(day: date, *, days: int, zone: ZoneInfo, hour: time = CIVIL_HOUR) -> datetime:
    """The civil hour at the clinic so many days after (or before) a local day. UTC."""
    return instant_at(day + timedelta(days=days), hour, zone=zone)


def call_again_at(now: datetime, *, zone: ZoneInfo, hour: time = CIVIL_HOUR) -> datetime:
    """The civil hour at the clinic on the day after a call that reached nobody. UTC."""
    return instant_at(local_date(now, zone) + timedelta(days=1), hour, zone=zone)
