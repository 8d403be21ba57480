"""Periods and clocks of laser safety, and the air that an extraction must move.

Patterns from published rules: other places have others, so each is a default that a chain may
shorten. 25 TAC 289.301(j) (Texas): inventory of lasers at most every 12 months. 16 TAC 118.71
(Texas): a lost or stolen laser is reported within 72 hours, in writing within 30 days. British
good-practice requirements (2010, updated 2012): local rules and risk assessment every year, a
visit of the adviser every 4 years. NIOSH 96-128 (HC11): 100 to 150 ft/min within 5.1 cm of the
plume.
"""

from calendar import monthrange
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

DAYS_A_YEAR: Final = 365
INVENTORY_MONTHS: Final = 12
RULES_MONTHS: Final = 12
ADVISER_MONTHS: Final = 48
REPORT_WITHIN: Final = timedelta(hours=72)
WRITTEN_WITHIN: Final = timedelta(days=30)
M_S_PER_FT_MIN: Final = 0.3048 / 60
CAPTURE_FT_MIN: Final = (100.0, 150.0)


@dataclass(frozen=True, slots=True)
class LossClocks:
    """Until when the loss of a laser is reported, and until when in writing."""

    report_by: datetime
    written_by: datetime


def due_on(last_on: date, *, months: int) -> date:
    """The last day on which something done on `last_on` still counts.

    The same day of a later month (or its last one), and never more than 365 days a year: a leap
    day gives nobody a day more.
    """
    whole = last_on.year * 12 + last_on.month - 1 + months
    year, month = divmod(whole, 12)
    by_month = date(year, month + 1, min(last_on.day, monthrange(year, month + 1)[1]))
    return min(by_month, last_on + timedelta(days=months * DAYS_A_YEAR // 12))


def is_overdue(last_on: date, *, months: int, on: date) -> bool:
    """Whether more than `months` have gone since it was last done."""
    return on > due_on(last_on, months=months)


def loss_clocks(known_at: datetime, *, reported_at: datetime | None = None) -> LossClocks:
    """The clocks of a lost or stolen laser; the written one runs from the first report.

    Not reported yet: from when the report is due.
    """
    report_by = known_at + REPORT_WITHIN
    return LossClocks(report_by, (reported_at or report_by) + WRITTEN_WITHIN)


def capture_m_s() -> tuple[float, float]:
    """The velocity in m/s that an extraction needs at its nozzle, from and to."""
    low, high = (one * M_S_PER_FT_MIN for one in CAPTURE_FT_MIN)
    return low, high
