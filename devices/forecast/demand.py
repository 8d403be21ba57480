"""Pulses that a laser will fire, day by day: what is booked, topped up to the recent rate.

Model `pulse-demand` version 1 (proposal of this service). On a day with b booked sessions whose
weekday lately had r sessions on average, the sessions are b plus a Poisson number of mean
max(0, r - b): what is booked counts, and a day booked less than usual still fills up. Each
session fires a number of pulses drawn like the recent sessions (a compound sum; its mean and
variance are exact: E[N] m and E[N] s^2 + Var[N] m^2). Pulses outside of sessions go on at their
recent daily mean. Two further variances say how little the recent record may know: s^2 / n of the
mean of n sessions, and 1 / R of the rate from R sessions, each common to all days.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

FEW_SESSIONS = 5
ONE_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Recent:
    """What a laser fired lately: on the `days` days before `until`, a local date.

    `sessions_on` counts sessions by ISO weekday (1 to 7); `pulses` is of each session;
    `other_pulses` were fired outside of sessions.
    """

    until: date
    days: int
    sessions_on: Mapping[int, int]
    pulses: tuple[int, ...]
    other_pulses: int = 0

    @property
    def mean(self) -> float:
        """Pulses of one session, on average; 0 without sessions."""
        return sum(self.pulses) / len(self.pulses) if self.pulses else 0.0

    @property
    def variance(self) -> float:
        """Of the pulses of one session; with fewer than five sessions at least the mean squared."""
        if not self.pulses:
            return 0.0
        measured = float(np.var(self.pulses, ddof=1)) if len(self.pulses) > 1 else 0.0
        return max(measured, self.mean**2) if len(self.pulses) < FEW_SESSIONS else measured

    def rate_on(self, weekday: int) -> float:
        """Sessions on an ISO weekday, on average; 0 where the days have none."""
        held = sum(
            (self.until - n * ONE_DAY).isoweekday() == weekday for n in range(1, self.days + 1)
        )
        return self.sessions_on.get(weekday, 0) / held if held else 0.0


@dataclass(frozen=True, slots=True)
class Demand:
    """Mean and variance of the pulses fired by the end of each day from `today` on."""

    today: date
    mean: NDArray[np.float64]
    variance: NDArray[np.float64]


def demand_ahead(*, today: date, days: int, booked: Mapping[date, int], recent: Recent) -> Demand:
    """The pulses to come, cumulated over `days` days of which the first is `today`.

    `booked` counts the sessions ahead on each date. Today is not topped up: it is partly over.
    """
    rates = {weekday: recent.rate_on(weekday) for weekday in range(1, 8)}
    dates = [today + n * ONE_DAY for n in range(days)]
    firm = np.array([booked.get(day, 0) for day in dates], dtype=float)
    usual = np.array([rates[day.isoweekday()] for day in dates])
    usual[:1] = 0.0
    firm, open_ = np.cumsum(firm), np.cumsum(np.maximum(0.0, usual - firm))
    other = recent.other_pulses / recent.days if recent.days else 0.0
    m, s2 = recent.mean, recent.variance
    sessions = firm + open_
    variance = sessions * s2 + open_ * m**2
    if recent.pulses:
        variance += sessions**2 * s2 / len(recent.pulses)
        variance += (m * open_) ** 2 / len(recent.pulses)
    return Demand(today, sessions * m + other * np.arange(1, days + 1), variance)
