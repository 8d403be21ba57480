"""Reads of lasers, their state and their ledger. They stand in modules; import them from here."""

from devices.selectors.eyewear import (
    EyewearQuestion,
    EyewearStanding,
    eyewear_json,
    eyewear_policy_of,
    eyewear_standing,
)
from devices.selectors.state import (
    fired_through_since,
    fitted_to,
    fittings_from,
    is_fitted,
    lines_of,
    lock_out_at,
    visits_hit,
)
from devices.selectors.usage import (
    Life,
    Tally,
    Usage,
    handpiece_life,
    laser_usage,
    pulses_after_corrections,
)

__all__ = [
    "EyewearQuestion",
    "EyewearStanding",
    "Life",
    "Tally",
    "Usage",
    "eyewear_json",
    "eyewear_policy_of",
    "eyewear_standing",
    "fired_through_since",
    "fitted_to",
    "fittings_from",
    "handpiece_life",
    "is_fitted",
    "laser_usage",
    "lines_of",
    "lock_out_at",
    "pulses_after_corrections",
    "visits_hit",
]
