"""The prior number of sessions from the six-parameter scale, with its spread."""

from dataclasses import dataclass
from math import isfinite, log, log1p, sqrt

from courses.science.basis import Basis, Kind
from courses.science.errors import InvalidInput
from courses.science.fading.model import Prior
from courses.science.kirby_desai import Parameter, ScaleResult, check_multiplier

CORRELATION = 0.757
ERROR_SESSIONS = 2.5
MEAN_SCORE = 9.9
SCORE_SD = ERROR_SESSIONS * CORRELATION / sqrt(1 - CORRELATION**2)
COEFFICIENT_OF_VARIATION = ERROR_SESSIONS / sqrt(MEAN_SCORE**2 + SCORE_SD**2)
PALPABLE_LOW, PALPABLE_HIGH = 2.0, 3.0
LITTLE_INK_POINTS = 2
LEAST_NEED = 0.5

SPREAD_BASIS = Basis(
    id="session-estimate.spread",
    version="1",
    source=(
        "Kirby et al. 2009 (r = 0.757); error of about 2.5 sessions by a secondary account; "
        "mean score 9.9 of J Cosmet Dermatol 2024;23:818-823; coefficient of variation derived"
    ),
    kind=Kind.PUBLISHED,
)
PALPABLE_BASIS = Basis(
    id="session-estimate.palpable",
    version="1",
    source="A raised tattoo takes 2 to 3 sessions more (common practice, no published source)",
    kind=Kind.COMMON_PRACTICE,
)


@dataclass(frozen=True, slots=True)
class PriorSettings:
    """How the scale is read: sessions per point, and spread as a coefficient of variation.

    `version` and `source` say where a chain's own values come from.
    """

    multiplier: float = 1.0
    coefficient_of_variation: float = COEFFICIENT_OF_VARIATION
    version: str = "published"
    source: str = "Kirby et al. 2009: sessions = score"


PUBLISHED_PRIOR = PriorSettings()


@dataclass(frozen=True, slots=True)
class PalpableExtra:
    """Sessions that a palpable tattoo adds beyond its points, `low` to `high`.

    `counted` is what ink and scar points already give, in sessions.
    """

    low: float
    high: float
    counted: float
    basis: Basis = PALPABLE_BASIS

    @property
    def mean(self) -> float:
        """The middle of the range."""
        return (self.low + self.high) / 2


def check_settings(settings: PriorSettings) -> None:
    """Raise InvalidInput for a multiplier or a spread that no cohort could give."""
    check_multiplier(settings.multiplier)
    spread = settings.coefficient_of_variation
    if not isfinite(spread) or not 0.05 <= spread <= 1:
        raise InvalidInput(
            field="coefficient_of_variation",
            rule="spread-range",
            message=f"A coefficient of variation lies from 0.05 to 1, not {spread:g}.",
        )


def palpable_extra(scale: ScaleResult, *, palpable: bool) -> PalpableExtra:
    """What a raised or palpable tattoo adds: 2 to 3 sessions, less what is already counted.

    Much ink, scar or both make a tattoo palpable, so the scar points and the ink points above
    those of a little ink, times the multiplier, are taken off (not below 0).
    """
    if not palpable:
        return PalpableExtra(low=0.0, high=0.0, counted=0.0)
    ink = max(0, scale.points(Parameter.INK_AMOUNT) - LITTLE_INK_POINTS)
    counted = scale.multiplier * (scale.points(Parameter.SCARRING) + ink)
    return PalpableExtra(
        low=max(0.0, PALPABLE_LOW - counted),
        high=max(0.0, PALPABLE_HIGH - counted),
        counted=counted,
    )


def prior_of(scale: ScaleResult, *, extra: PalpableExtra, settings: PriorSettings) -> Prior:
    """The prior of the whole tattoo's need for sessions to 95 %, log-normal."""
    mean = max(LEAST_NEED, scale.sessions + extra.mean - 0.5)
    log_variance = log1p(settings.coefficient_of_variation**2)
    return Prior(
        log_sessions=log(mean) - log_variance / 2,
        log_sd=sqrt(log_variance),
        of_tattoo=True,
        basis=SPREAD_BASIS,
    )
