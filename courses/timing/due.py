"""Due times of invitations, reminders and calls: a civil hour on a local day."""

from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from clinics.hours.wall_time import instant_at, local_date

CIVIL_HOUR: Final = time(10)
REMIND_DAYS_BEFORE: Final = 3


def invitation_due(closing_day: date, *, zone: ZoneInfo) -> datetime:
    """10:00 on the day on which the healing window closes, at the clinic. UTC."""
    return instant_at(closing_day, CIVIL_HOUR, zone=zone)


def reminder_due(starts_at: datetime, *, zone: ZoneInfo, now: datetime) -> datetime:
    """10:00 at the clinic three days before the appointment; `now` when that has passed. UTC.

    Published: Steiner 2018, Am J Manag Care 24:377, 54 066 appointments; missed after one
    reminder 3 days before 5.8 %, 1 day before 5.3 %, after both 4.4 %.
    """
    day = local_date(starts_at, zone) - timedelta(days=REMIND_DAYS_BEFORE)
    return max(now, instant_at(day, CIVIL_HOUR, zone=zone))


def call_again_at(now: datetime, *, zone: ZoneInfo) -> datetime:
    """10:00 at the clinic on the day after a call that reached nobody. UTC."""
    return instant_at(local_date(now, zone) + timedelta(days=1), CIVIL_HOUR, zone=zone)
