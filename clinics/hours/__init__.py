"""Opening hours as pure code: local rules in, UTC spans out."""

from clinics.hours.opening import DayHours, DayReason, day_hours, opening_spans, weekly_spans
from clinics.hours.public_holidays import UnknownRegion, holiday_name, public_holidays
from clinics.hours.rules import BadHours, ClinicCalendar, DateOverride, WeeklyRule
from clinics.hours.wall_time import (
    UnknownZone,
    instant_at,
    local_date,
    local_day_end,
    local_day_start,
    zone_named,
)

__all__ = [
    "BadHours",
    "ClinicCalendar",
    "DateOverride",
    "DayHours",
    "DayReason",
    "UnknownRegion",
    "UnknownZone",
    "WeeklyRule",
    "day_hours",
    "holiday_name",
    "instant_at",
    "local_date",
    "local_day_end",
    "local_day_start",
    "opening_spans",
    "public_holidays",
    "weekly_spans",
    "zone_named",
]
