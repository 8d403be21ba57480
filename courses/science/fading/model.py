"""Priors and fixed values of the fading model, each with its basis."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import exp, expm1, log, log1p, sqrt
from types import MappingProxyType

from courses.science.basis import Basis, Kind
from courses.vocabulary import Technique

CLEAR_RESIDUAL = 0.05
LOG_CLEAR = -log(CLEAR_RESIDUAL)
NORMAL_95 = 1.6448536269514722

MODEL_BASIS = Basis(
    id="fading.geometric-by-part",
    version="1",
    source=(
        "Geometric fall of ink per session fitted to published session counts (Fitzpatrick & "
        "Goldman 1994, Alster 1995, Saedi 2012, Bernstein 2015 and 2018 and others); patient "
        "and part spread, grader noise and factors for technique and match are proposals"
    ),
    kind=Kind.PROPOSAL,
)
BAND_BASIS = Basis(
    id="fading.per-session-band",
    version="1",
    source=(
        "Clearance per session 0.15 to 0.45 at a matched wavelength, 0.35 to 0.50 in amateur "
        "tattoos, derived from published session counts"
    ),
    kind=Kind.PUBLISHED,
)
MISMATCH_BASIS = Basis(
    id="fading.mismatched-wavelength",
    version="1",
    source=(
        "Bernstein 2018, Lasers Surg Med 50:704: four sessions at 785 nm cleared red 11 % and "
        "yellow 5 %, black 61 %, green 74 %, blue 81 %, purple 85 %"
    ),
    kind=Kind.PUBLISHED,
)


class Match(StrEnum):
    """How well a wavelength suits an ink, as the wavelength table grades it."""

    FIRST = "first"
    WORKS = "works"
    PARTIAL = "partial"
    POOR = "poor"


@dataclass(frozen=True, slots=True)
class Prior:
    """What is thought of a tattoo before any grade.

    `log_sessions` and `log_sd` are mean and standard deviation of the log of the sessions to 95 %
    clearance at first-choice wavelengths (continuous, before rounding up to whole sessions).
    `of_tattoo`: the mean is that of the whole tattoo, so of its slowest part, not of each part.
    """

    log_sessions: float
    log_sd: float
    of_tattoo: bool
    basis: Basis

    @property
    def median_sessions(self) -> float:
        """Median of the continuous number of sessions to 95 % clearance."""
        return exp(self.log_sessions)


@dataclass(frozen=True, slots=True)
class FadingModel:
    """Fixed values of the model; a chain may keep its own version.

    Match and technique factors multiply the fall of log ink per session. `grader_scale` is the
    scale of the logistic grading error on the logit of clearance: 0.25 is a standard deviation
    of about 11 points at half clearance and 2 points at 95 %. `patient_share` is the part of
    the prior variance that a patient's parts have in common.
    """

    id: str = "fading.geometric-by-part"
    version: str = "1"
    grader_scale: float = 0.25
    patient_share: float = 0.6
    match_factor: Mapping[Match, float] = field(
        default_factory=lambda: MappingProxyType(
            {Match.FIRST: 1.0, Match.WORKS: 0.75, Match.PARTIAL: 0.4, Match.POOR: 0.07}
        )
    )
    technique_factor: Mapping[Technique, float] = field(
        default_factory=lambda: MappingProxyType(
            {Technique.SHADING: 1.2, Technique.SOLID_FILL: 1.0, Technique.OUTLINE: 0.85}
        )
    )


DEFAULT_MODEL = FadingModel()


def table_prior(*, amateur: bool) -> Prior:
    """The prior of a part from the published bands of clearance per session alone.

    Matched wavelength 0.15 to 0.45, amateur 0.35 to 0.50, read as the middle 90 % of tattoos.
    The amateur band is one of study means, so it is widened to the spread of the six-parameter
    scale (0.24). Used where no assessment gives a better prior.
    """
    low, high = (0.35, 0.50) if amateur else (0.15, 0.45)
    slow, fast = -log(1 - low), -log(1 - high)
    log_sd = max((log(fast) - log(slow)) / (2 * NORMAL_95), 0.24)
    return Prior(
        log_sessions=log(LOG_CLEAR / sqrt(slow * fast)),
        log_sd=log_sd,
        of_tattoo=False,
        basis=BAND_BASIS,
    )


def clearance_after(per_session: float, *, sessions: float) -> float:
    """Clearance after `sessions`, each of which takes the fraction `per_session` of the ink."""
    return -expm1(sessions * log1p(-per_session))


def fading_per_session(clearance: float, *, sessions: float) -> float:
    """The fraction of the ink that each of `sessions` took to reach `clearance`."""
    return -expm1(log1p(-clearance) / sessions)
