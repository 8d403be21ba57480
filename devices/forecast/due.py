"""From the pulses to come to the dates on which a service falls due.

What is fired never becomes less, so a count is reached by a day exactly when the pulses by then
are that many: P(T <= d) = P(pulses by d >= left). The pulses by a day are taken as gamma
distributed with the mean and variance of `demand` (moments matched: never negative, skewed to the
right as compound sums are). P10, P50 and P90 are the first dates by which that probability is
10, 50 and 90 %. Due by the calendar is a date; whichever is first is the earlier of both.
"""

from calendar import monthrange
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

from devices.forecast.demand import ONE_DAY, Demand

SHARES: Final = (0.1, 0.5, 0.9)


@dataclass(frozen=True, slots=True)
class DueDates:
    """By which dates it is due with 10, 50 and 90 %; None: not within the days looked at."""

    p10: date | None
    p50: date | None
    p90: date | None

    def first(self, other: date | None) -> "DueDates":
        """Whichever is first: these dates, or a date that is certain."""
        if other is None:
            return self
        return DueDates(*(min(mine or other, other) for mine in (self.p10, self.p50, self.p90)))


def add_months(day: date, months: int) -> date:
    """The same day so many months on, or the last of that month: 31 January + 1 is 28 or 29."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))


def whole_months(since: date, until: date) -> int:
    """How many whole months lie between two dates: the most that `add_months` may add."""
    months = (until.year - since.year) * 12 + until.month - since.month
    return months - (add_months(since, months) > until)


def calendar_due(last_done: date, *, months: int | None, tolerance_days: int = 0) -> date | None:
    """The date on which so many months are over (and the tolerance too); None without months."""
    return None if months is None else add_months(last_done, months) + tolerance_days * ONE_DAY


def due_dates(left: float | None, *, demand: Demand) -> DueDates:
    """By which dates `left` pulses are fired. Nothing left: today. None: never due by pulses."""
    if left is None:
        return DueDates(None, None, None)
    if left <= 0:
        return DueDates(demand.today, demand.today, demand.today)
    chance = np.maximum.accumulate(reached(left, demand=demand))
    return DueDates(*(_first(chance, share, today=demand.today) for share in SHARES))


def reached(left: float, *, demand: Demand) -> NDArray[np.float64]:
    """The probability, for each day, that `left` (> 0) pulses are fired by its end."""
    mean, variance = demand.mean, demand.variance
    chance = np.where(mean >= left, 1.0, 0.0)
    spread = (variance > 0) & (mean > 0)
    m, v = mean[spread], variance[spread]
    chance[spread] = gammaincc(m**2 / v, left * m / v)
    return chance


def _first(chance: NDArray[np.float64], share: float, *, today: date) -> date | None:
    days = np.flatnonzero(chance >= share)
    return today + int(days[0]) * ONE_DAY if days.size else None
