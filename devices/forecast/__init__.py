"""When a service falls due, as a distribution over dates, and which day displaces the fewest.

Pure computation: dates are local dates of the clinic, pulses are counts, instants are aware.
"""

from devices.forecast.demand import Demand, Recent, demand_ahead
from devices.forecast.due import DueDates, add_months, calendar_due, due_dates, whole_months
from devices.forecast.placement import DayChoice, Taken, choose_days

__all__ = [
    "DayChoice",
    "Demand",
    "DueDates",
    "Recent",
    "Taken",
    "add_months",
    "calendar_due",
    "choose_days",
    "demand_ahead",
    "due_dates",
    "whole_months",
]
