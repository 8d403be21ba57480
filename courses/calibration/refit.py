"""A refit of the prior to the chain's own courses, for a clinician to accept or refuse."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import exp, expm1, gamma, sqrt
from typing import Any

import numpy as np
import pandas as pd
from lifelines import LogNormalAFTFitter, LogNormalFitter, WeibullAFTFitter, WeibullFitter
from lifelines.exceptions import ConvergenceError
from numpy.typing import NDArray

from courses.calibration.records import CourseRecord
from courses.science.basis import CAUTION, Basis, Kind
from courses.science.estimate.prior import PriorSettings

LEAST_REACHED = 10
NORMAL_975 = 1.959963984540054
STEP = 1e-5

BASIS = Basis(
    id="calibration.refit",
    version="1",
    source=(
        "Sessions over score as log-normal and as Weibull, interval- and right-censored maximum "
        "likelihood (lifelines); the family with the lower AIC is proposed"
    ),
    kind=Kind.PROPOSAL,
)

Array = NDArray[np.float64]


class Family(StrEnum):
    """Distribution of sessions over score."""

    LOG_NORMAL = "log_normal"
    WEIBULL = "weibull"


@dataclass(frozen=True, slots=True)
class Fit:
    """One family: mean (sessions a point), its 95 % interval, spread, and Akaike's criterion."""

    family: Family
    multiplier: float
    multiplier_low: float
    multiplier_high: float
    coefficient_of_variation: float
    aic: float


@dataclass(frozen=True, slots=True)
class Slope:
    """How log sessions rise with log score (accelerated failure time); 1 is the published use."""

    value: float
    low: float
    high: float

    @property
    def as_published(self) -> bool:
        """Whether the interval holds 1."""
        return self.low <= 1 <= self.high


@dataclass(frozen=True, slots=True)
class Refit:
    """The refit: both fits, the one proposed, and the slope of the scale where it can be told."""

    proposed: Fit
    fits: tuple[Fit, ...]
    slope: Slope | None
    courses: int
    reached: int
    basis: Basis = BASIS
    caution: str = CAUTION

    def settings(self, *, version: str) -> PriorSettings:
        """The prior settings that a clinician accepts under a version of the chain's own."""
        return PriorSettings(
            multiplier=self.proposed.multiplier,
            coefficient_of_variation=min(1.0, max(0.05, self.proposed.coefficient_of_variation)),
            version=version,
            source=f"refit of {self.courses} courses, {self.reached} to their goal",
        )


@dataclass(frozen=True, slots=True)
class _Moments:
    """Mean and coefficient of variation of a family from its parameters."""

    fitter: Callable[[], Any]
    aft: Callable[[], Any]
    names: tuple[str, str]
    location: str
    mean: Callable[[float, float], float]
    variation: Callable[[float, float], float]


FAMILIES: Mapping[Family, _Moments] = {
    Family.LOG_NORMAL: _Moments(
        fitter=LogNormalFitter,
        aft=LogNormalAFTFitter,
        names=("mu_", "sigma_"),
        location="mu_",
        mean=lambda mu, sigma: exp(mu + sigma**2 / 2),
        variation=lambda _, sigma: sqrt(expm1(sigma**2)),
    ),
    Family.WEIBULL: _Moments(
        fitter=WeibullFitter,
        aft=WeibullAFTFitter,
        names=("lambda_", "rho_"),
        location="lambda_",
        mean=lambda scale, shape: scale * gamma(1 + 1 / shape),
        variation=lambda _, shape: sqrt(gamma(1 + 2 / shape) / gamma(1 + 1 / shape) ** 2 - 1),
    ),
}


def refit(records: Sequence[CourseRecord]) -> Refit | None:
    """Refit sessions a point and spread; None when fewer than 10 courses reached their goal.

    A goal reached at session N lies between N - 1/2 and N + 1/2, a course that runs or was left
    after n sessions above n + 1/2. None also when no fit converges.
    """
    reached = sum(record.reached for record in records)
    if reached < LEAST_REACHED:
        return None
    low, high = _bounds(records)
    score = np.array([record.score for record in records], dtype=np.float64)
    fits = [
        fit
        for family in Family
        if (fit := _fit(family, low=low / score, high=high / score)) is not None
    ]
    if not fits:
        return None
    proposed = min(fits, key=lambda fit: fit.aic)
    return Refit(
        proposed=proposed,
        fits=tuple(fits),
        slope=_slope(proposed.family, low=low, high=high, score=score),
        courses=len(records),
        reached=reached,
    )


def _bounds(records: Sequence[CourseRecord]) -> tuple[Array, Array]:
    """The span in which each course's number of sessions lies, (R,) each."""
    done = np.array([record.sessions_done for record in records], dtype=np.float64)
    reached = np.array([record.reached for record in records])
    return np.where(reached, done - 0.5, done + 0.5), np.where(reached, done + 0.5, np.inf)


def _fit(family: Family, *, low: Array, high: Array) -> Fit | None:
    moments = FAMILIES[family]
    try:
        fitted = moments.fitter().fit_interval_censoring(low, high)
    except ConvergenceError:
        return None
    values = np.array([float(getattr(fitted, name)) for name in moments.names])
    mean = moments.mean(*values)
    error = _delta(moments.mean, values=values, variance=np.asarray(fitted.variance_matrix_))
    spread = exp(NORMAL_975 * error / mean)
    return Fit(
        family=family,
        multiplier=mean,
        multiplier_low=mean / spread,
        multiplier_high=mean * spread,
        coefficient_of_variation=moments.variation(*values),
        aic=float(fitted.AIC_),
    )


def _delta(function: Callable[[float, float], float], *, values: Array, variance: Array) -> float:
    """Standard error of a function of two parameters, by the delta method."""
    gradient = np.empty(2)
    for index in range(2):
        step = np.zeros(2)
        step[index] = STEP
        gradient[index] = (function(*(values + step)) - function(*(values - step))) / (2 * STEP)
    return sqrt(max(0.0, float(gradient @ variance @ gradient)))


def _slope(family: Family, *, low: Array, high: Array, score: Array) -> Slope | None:
    if score.min() == score.max():
        return None
    frame = pd.DataFrame({"low": low, "high": high, "log_score": np.log(score)})
    moments = FAMILIES[family]
    try:
        fitted = moments.aft().fit_interval_censoring(frame, "low", "high")
    except ConvergenceError:
        return None
    row = (moments.location, "log_score")
    interval = fitted.confidence_intervals_.loc[row].to_numpy(dtype=np.float64)
    return Slope(
        value=float(fitted.params_.loc[row]),
        low=float(interval[0]),
        high=float(interval[1]),
    )
