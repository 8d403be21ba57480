"""The exact Bayesian update on a fixed grid, for many tattoos at once.

The grid stands in standard deviations of the prior, so that one kernel serves every tattoo:
a (patient) on 41 points over +-6, b (part) on 281 points over +-7.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from courses.science.fading.segments import Segment

Array = NDArray[np.float64]

PATIENT_POINTS = 41
PATIENT_REACH = 6.0
PART_POINTS = 281
PART_REACH = 7.0
TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Grid:
    """Patient points with prior weights (A), part points (B), and P(b | a) per point (A, B)."""

    patient: Array
    patient_weight: Array
    part: Array
    step: float
    kernel: Array


@dataclass(frozen=True, slots=True)
class Stack:
    """Segments of many tattoos as arrays of length S; `case` and `log_sd` say whose they are."""

    case: NDArray[np.intp]
    cases: int
    mean: Array
    log_sd: Array
    offset: Array
    exposure: Array
    planned: Array
    live: NDArray[np.bool_]
    part: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Posterior:
    """What the grades leave: likelihood (S, B), evidence (S, A), patient weights (C, A)."""

    grid: Grid
    stack: Stack
    likelihood: Array
    evidence: Array
    patient: Array


@lru_cache(maxsize=16)
def grid_for(patient_share: float) -> Grid:
    """The grid for a share of the prior variance (0 to 1, both excluded) held by the patient."""
    patient = np.linspace(-PATIENT_REACH, PATIENT_REACH, PATIENT_POINTS)
    weight = np.exp(-(patient**2) / 2)
    part = np.linspace(-PART_REACH, PART_REACH, PART_POINTS)
    step = float(part[1] - part[0])
    own_sd = sqrt(1 - patient_share)
    away = (part[None, :] - sqrt(patient_share) * patient[:, None]) / own_sd
    kernel = np.exp(-(away**2) / 2) * step / (own_sd * sqrt(2 * pi))
    return Grid(
        patient=patient,
        patient_weight=weight / weight.sum(),
        part=part,
        step=step,
        kernel=kernel,
    )


def stack(segments: Sequence[Sequence[Segment]], *, log_sd: Sequence[float]) -> Stack:
    """Lay the segments of many tattoos side by side."""
    flat = [segment for of_case in segments for segment in of_case]
    case = np.repeat(np.arange(len(segments)), [len(of_case) for of_case in segments])
    return Stack(
        case=case,
        cases=len(segments),
        mean=np.array([segment.mean for segment in flat]),
        log_sd=np.asarray(log_sd, dtype=np.float64)[case],
        offset=np.array([segment.offset for segment in flat]),
        exposure=np.array([segment.exposure for segment in flat]),
        planned=np.array([segment.planned for segment in flat]),
        live=np.array([segment.live for segment in flat]),
        part=np.array([segment.part for segment in flat]),
    )


def update(
    segments: Sequence[Sequence[Segment]],
    *,
    log_sd: Sequence[float],
    patient_share: float,
    grader_scale: float,
) -> Posterior:
    """Posterior of patient and parts given all grades, for each tattoo.

    `segments`: per tattoo its segments; `log_sd`: per tattoo the prior deviation of log k.
    """
    grid = grid_for(patient_share)
    stacked = stack(segments, log_sd=log_sd)
    likelihood = _likelihood(segments, stacked=stacked, grid=grid, grader_scale=grader_scale)
    evidence = likelihood @ grid.kernel.T
    return Posterior(
        grid=grid,
        stack=stacked,
        likelihood=likelihood,
        evidence=evidence,
        patient=_patient(evidence, stacked=stacked, grid=grid),
    )


def log_rate(stacked: Stack, *, grid: Grid) -> Array:
    """Log k of each segment at each part point, shape (S, B)."""
    return stacked.mean[:, None] + stacked.log_sd[:, None] * grid.part[None, :]


def _likelihood(
    segments: Sequence[Sequence[Segment]], *, stacked: Stack, grid: Grid, grader_scale: float
) -> Array:
    """Product over a segment's grades of P(band | k), scaled to a maximum of 1; (S, B).

    With Y = exp(logit(clearance) / scale) a band's probability is, up to a constant that does
    not depend on k, 1 / ((1 + Y / high) * (1 + low / Y)).
    """
    flat = [segment for of_case in segments for segment in of_case]
    owner = np.repeat(np.arange(len(flat)), [len(segment.rows) for segment in flat])
    result = np.zeros((len(flat), grid.part.size))
    if owner.size:
        rows = [row for segment in flat for row in segment.rows]
        rate = np.exp(log_rate(stacked, grid=grid))
        gone = rate[owner] * np.array([row.exposure for row in rows])[:, None]
        gone += stacked.offset[owner][:, None]
        logs = _band_log(
            gone,
            low=np.array([row.low_logit for row in rows])[:, None],
            high=np.array([row.high_logit for row in rows])[:, None],
            scale=grader_scale,
        )
        first = np.flatnonzero(np.diff(owner, prepend=-1))
        result[owner[first]] = np.add.reduceat(logs, first, axis=0)
        result -= result.max(axis=1, keepdims=True)
    likelihood: Array = np.exp(result)
    return likelihood


def _band_log(gone: Array, *, low: Array, high: Array, scale: float) -> Array:
    """Log P(band) up to a constant, for log ink gone `gone`; edges on the logit scale."""
    with np.errstate(over="ignore"):
        odds = np.maximum(np.expm1(gone), TINY)
        logit = np.log(odds) / scale
        above = np.exp(np.clip(logit - high / scale, -700, 700))
        below = np.exp(np.clip(low / scale - logit, -700, 700))
    result: Array = -np.log1p(above) - np.log1p(below)
    return result


def _patient(evidence: Array, *, stacked: Stack, grid: Grid) -> Array:
    """Posterior weights of the patient points, (C, A)."""
    logs = np.log(np.maximum(evidence, TINY))
    first = np.flatnonzero(np.diff(stacked.case, prepend=-1))
    total = np.add.reduceat(logs, first, axis=0) + np.log(grid.patient_weight)[None, :]
    total -= total.max(axis=1, keepdims=True)
    weight = np.exp(total)
    result: Array = weight / weight.sum(axis=1, keepdims=True)
    return result
