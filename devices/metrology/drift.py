"""The trend of energy checks, robustly, and when it will leave the tolerance.

Theil-Sen: the slope is the median of the slopes between all pairs of checks (Theil 1950; Sen 1968,
J Am Stat Assoc 63:1379), the line passes through the medians of both coordinates. One wild reading
in a few does not move it. The interval of the slope is Sen's: order statistics of the pairwise
slopes around their median, at the normal approximation of Kendall's statistic, with his correction
for ties.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import NDArray

from devices.metrology.errors import InvalidQuantity

FEWEST_POINTS: Final = 3
CONFIDENCE: Final = 0.90


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through values over days: `value = intercept + slope * day`.

    `low` and `high` bound the slope at the confidence asked for.
    """

    slope: float
    intercept: float
    low: float
    high: float
    middle_day: float
    middle_value: float

    def at(self, day: float) -> float:
        """The value on the line."""
        return self.intercept + self.slope * day


@dataclass(frozen=True, slots=True)
class Leaves:
    """On which day the line leaves the tolerance; None: never as it goes.

    `earliest` and `latest` come from the bounds of the slope, through the same middle; a latest of
    None means that it may as well never leave.
    """

    day: float | None
    earliest: float | None
    latest: float | None


def theil_sen(
    days: Sequence[float], values: Sequence[float], *, confidence: float = CONFIDENCE
) -> Trend:
    """The robust line through values over days, with an interval of its slope.

    Raises InvalidQuantity for fewer than three values, or when all are of one day.
    """
    x, y = np.asarray(days, dtype=float), np.asarray(values, dtype=float)
    if x.size != y.size or x.size < FEWEST_POINTS:
        raise InvalidQuantity(
            field="values",
            rule="too-few",
            message=f"A trend needs {FEWEST_POINTS} checks or more, not {x.size}.",
        )
    first, second = np.triu_indices(x.size, k=1)
    apart = x[second] - x[first]
    slopes = np.sort((y[second] - y[first])[apart != 0] / apart[apart != 0])
    if not slopes.size:
        raise InvalidQuantity(
            field="days", rule="one-day", message="A trend needs checks of different times."
        )
    slope = float(np.median(slopes))
    low, high = _bounds(slopes, x=x, y=y, confidence=confidence)
    middle_day, middle_value = float(np.median(x)), float(np.median(y))
    return Trend(
        slope=slope,
        intercept=middle_value - slope * middle_day,
        low=low,
        high=high,
        middle_day=middle_day,
        middle_value=middle_value,
    )


def leaves_tolerance(trend: Trend, *, tolerance: float, since: float) -> Leaves:
    """When the line passes +-`tolerance`; a line that is outside on day `since` leaves then."""
    if abs(trend.at(since)) > tolerance:
        return Leaves(day=since, earliest=since, latest=since)
    day = _crossing(trend, slope=trend.slope, tolerance=tolerance, since=since)
    bounds = [
        _crossing(trend, slope=slope, tolerance=tolerance, since=since)
        for slope in (trend.low, trend.high)
    ]
    met = [one for one in (*bounds, day) if one is not None]
    one_way = trend.low > 0 or trend.high < 0
    return Leaves(
        day=day,
        earliest=min(met, default=None),
        latest=max(met) if met and one_way else None,
    )


def _crossing(trend: Trend, *, slope: float, tolerance: float, since: float) -> float | None:
    """The day, from `since` on, on which a line of this slope through the middle is at the edge."""
    if slope == 0:
        return None
    edge = tolerance if slope > 0 else -tolerance
    return max(since, trend.middle_day + (edge - trend.middle_value) / slope)


def _bounds(
    slopes: NDArray[np.float64],
    *,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    confidence: float,
) -> tuple[float, float]:
    """Sen's interval of the slope, from the sorted pairwise slopes (1968, equation 2.6)."""
    z = NormalDist().inv_cdf(0.5 - confidence / 2)
    n = x.size
    ties = sum(_tied(values) for values in (x, y))
    variance = (n * (n - 1) * (2 * n + 5) - ties) / 18
    if variance <= 0:
        return float(slopes[0]), float(slopes[-1])
    spread = z * sqrt(variance)
    upper = min(round((slopes.size - spread) / 2), slopes.size - 1)
    lower = max(round((slopes.size + spread) / 2) - 1, 0)
    return float(slopes[lower]), float(slopes[upper])


def _tied(values: NDArray[np.float64]) -> float:
    counts = np.unique(values, return_counts=True)[1]
    return float(np.sum(counts * (counts - 1) * (2 * counts + 5)))
