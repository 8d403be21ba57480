"""A second view: success by session in a published cohort, as a Weibull through two points.

Source: Bencini PL et al. Arch Dermatol 2012;148(12):1364-1369, 352 patients, prospective: success
by 10 sessions 47.2 % (41.8-52.5), by 15 sessions 74.8 % (68.9-80.7). Factors that the paper ties to
a poorer result act on the hazard. Where a secondary account gives a number its measure is not
known: it is read as a hazard ratio, which lies between the readings as risk and as odds ratio.
Where no number was seen, 0.8 stands for the direction alone (proposal).
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, exp, inf, log

from courses.science.basis import CAUTION, Basis, Kind
from courses.science.fading.forecast import HORIZON, Sessions

BY_10, BY_15 = 0.472, 0.748
LEAST_RATIO = 0.15

BASIS = Basis(
    id="session-cohort.bencini",
    version="1",
    source=(
        "Bencini et al. 2012, Arch Dermatol 148(12):1364-1369: 47.2 % by 10 and 74.8 % by 15 "
        "sessions; Weibull through both points derived"
    ),
    kind=Kind.PUBLISHED,
)
_NUMBER = "Bencini 2012; number from a secondary account, read as a hazard ratio"
_DIRECTION = "Bencini 2012 gives the direction; the size of 0.8 is a proposal"


@dataclass(frozen=True, slots=True)
class Weibull:
    """Success by n sessions, 1 - exp(-(n / scale)^shape)."""

    shape: float
    scale: float

    def by(self, sessions: float) -> float:
        """Probability of success within `sessions`."""
        return 1 - exp(-((max(sessions, 0.0) / self.scale) ** self.shape))

    def quantile(self, probability: float) -> float:
        """Sessions by which a share has succeeded."""
        return float(self.scale * (-log(1 - probability)) ** (1 / self.shape))

    def with_hazard(self, ratio: float) -> "Weibull":
        """The same with its hazard multiplied; it stays a Weibull of the same shape."""
        return Weibull(shape=self.shape, scale=self.scale * ratio ** (-1 / self.shape))


def weibull_through(first: tuple[float, float], second: tuple[float, float]) -> Weibull:
    """The Weibull that passes through two (sessions, probability) points."""
    (early, early_share), (late, late_share) = first, second
    low, high = -log(1 - early_share), -log(1 - late_share)
    shape = log(high / low) / log(late / early)
    return Weibull(shape=shape, scale=early / low ** (1 / shape))


COHORT = weibull_through((10, BY_10), (15, BY_15))


class CohortFactor(StrEnum):
    """What the paper ties to a better or poorer result."""

    BLACK_ONLY = "black_only"
    BLACK_AND_RED = "black_and_red"
    OTHER_COLOURS = "other_colours"
    SMOKER = "smoker"
    OVER_30_CM2 = "over_30_cm2"
    LEG_OR_FOOT = "leg_or_foot"
    OVER_36_MONTHS = "over_36_months"
    DENSE_COLOUR = "dense_colour"
    INTERVAL_8_WEEKS_OR_LESS = "interval_8_weeks_or_less"
    DARKENED = "darkened"


def _ratio_of(by_10: float) -> float:
    return log(1 - by_10) / log(1 - BY_10)


HAZARD_RATIO: Mapping[CohortFactor, float] = {
    CohortFactor.BLACK_ONLY: _ratio_of(0.58),
    CohortFactor.BLACK_AND_RED: _ratio_of(0.51),
    CohortFactor.OTHER_COLOURS: 1 - 0.795,
    CohortFactor.SMOKER: 1 - 0.697,
} | dict.fromkeys(
    (
        CohortFactor.OVER_30_CM2,
        CohortFactor.LEG_OR_FOOT,
        CohortFactor.OVER_36_MONTHS,
        CohortFactor.DENSE_COLOUR,
        CohortFactor.INTERVAL_8_WEEKS_OR_LESS,
        CohortFactor.DARKENED,
    ),
    0.8,
)
_WITH_NUMBER = frozenset(
    {
        CohortFactor.BLACK_ONLY,
        CohortFactor.BLACK_AND_RED,
        CohortFactor.OTHER_COLOURS,
        CohortFactor.SMOKER,
    }
)


@dataclass(frozen=True, slots=True)
class FactorEffect:
    """One factor that applied, the hazard ratio used and where it comes from."""

    factor: CohortFactor
    hazard_ratio: float
    basis: Basis


@dataclass(frozen=True, slots=True)
class CohortView:
    """What the cohort says: total sessions, success by 10 and 15, and by each further session.

    `done_within[n]`: probability of success within n further sessions, given none so far.
    """

    total: Sessions
    by_10: float
    by_15: float
    done_within: tuple[float, ...]
    factors: tuple[FactorEffect, ...]
    hazard_ratio: float
    basis: Basis = BASIS
    caution: str = CAUTION


def cohort_view(
    factors: Collection[CohortFactor] = (), *, done: int = 0, horizon: int = HORIZON
) -> CohortView:
    """The cohort's view of a tattoo with these factors, after `done` sessions.

    The ratios are multiplied, and the product kept at 0.15 or more: the paper's groups overlap,
    so a long product would count the same patients twice (proposal).
    """
    effects = tuple(_effect(factor) for factor in CohortFactor if factor in factors)
    ratio = 1.0
    for effect in effects:
        ratio *= effect.hazard_ratio
    ratio = max(ratio, LEAST_RATIO)
    curve = COHORT.with_hazard(ratio)
    left = 1 - curve.by(done)
    return CohortView(
        total=Sessions(*(_whole(curve.quantile(share)) for share in (0.1, 0.5, 0.9))),
        by_10=curve.by(10),
        by_15=curve.by(15),
        done_within=tuple(
            1 - (1 - curve.by(done + n)) / left if left > 0 else 1.0 for n in range(horizon + 1)
        ),
        factors=effects,
        hazard_ratio=ratio,
    )


def _whole(sessions: float) -> int | None:
    return ceil(sessions) if sessions < inf else None


def _effect(factor: CohortFactor) -> FactorEffect:
    number = factor in _WITH_NUMBER
    return FactorEffect(
        factor=factor,
        hazard_ratio=HAZARD_RATIO[factor],
        basis=Basis(
            id=f"session-cohort.bencini.{factor.value}",
            version="1",
            source=_NUMBER if number else _DIRECTION,
            kind=Kind.PUBLISHED if number else Kind.PROPOSAL,
        ),
    )
