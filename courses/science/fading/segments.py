"""From a case to the numbers of the model: stretches of a part between darkenings."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from itertools import accumulate
from math import log, log1p, sqrt

import numpy as np
from scipy.special import ndtr

from courses.science.fading.inputs import FadingCase, Grade, Part
from courses.science.fading.model import LOG_CLEAR

NO_EDGE = 1e6


@dataclass(frozen=True, slots=True)
class GradeRow:
    """One grade as the likelihood sees it: effect so far, and the band on the logit scale."""

    exposure: float
    low_logit: float
    high_logit: float


@dataclass(frozen=True, slots=True)
class Segment:
    """A part from its start, or from its last darkening, on.

    `mean`: prior mean of log k. `offset`: log ink already gone at the start. `exposure`: effect of
    all sessions since. `live`: it is the part's present stretch and the part is still to clear.
    """

    part: int
    mean: float
    offset: float
    exposure: float
    planned: float
    live: bool
    rows: tuple[GradeRow, ...]


@dataclass(frozen=True, slots=True)
class _Start:
    """When a stretch of a part begins: sessions after `day` count, from `low` clearance."""

    day: date
    low: float


def segments_of(case: FadingCase) -> list[Segment]:
    """The stretches of all parts of a checked case, in the order of the parts."""
    means = _prior_means(case)
    segments: list[Segment] = []
    for index, part in enumerate(case.parts):
        segments.extend(_part_segments(case, part=part, index=index, mean=means[index]))
    return segments


def _prior_means(case: FadingCase) -> list[float]:
    """Prior mean of log k for each part.

    A prior of the whole tattoo speaks of its slowest part. The slowest technique is then taken
    as the standard, and the mean is shifted by the mean of the largest of the parts' own
    deviations, so that several parts do not make the tattoo slower than the prior says.
    """
    factors = [case.model.technique_factor[part.technique] for part in case.parts]
    base = log(LOG_CLEAR) - case.prior.log_sessions
    if not case.prior.of_tattoo:
        return [base + log(factor) for factor in factors]
    slowest = min(factors)
    lags = tuple(sorted(round(log(factor / slowest), 6) for factor in factors))
    own_sd = case.prior.log_sd * sqrt(1 - case.model.patient_share)
    shift = _mean_of_slowest(lags, own_sd=round(own_sd, 6))
    return [base + shift + log(factor / slowest) for factor in factors]


@lru_cache(maxsize=4096)
def _mean_of_slowest(lags: tuple[float, ...], *, own_sd: float) -> float:
    """Mean of the largest of independent normals with means -lag and the same deviation."""
    if len(lags) == 1:
        return 0.0
    at = np.linspace(-max(lags) - 7 * own_sd, 7 * own_sd, 401)
    below = np.prod([ndtr((at + lag) / own_sd) for lag in lags], axis=0)
    step = at[1] - at[0]
    return float(at[-1] - step * (below.sum() - (below[0] + below[-1]) / 2))


def _part_segments(case: FadingCase, *, part: Part, index: int, mean: float) -> list[Segment]:
    effects = [
        (session.treated_on, case.model.match_factor[session.matches[part.key]])
        for session in case.sessions
        if part.key in session.matches
    ]
    grades = [grade for grade in case.grades if grade.part == part.key]
    starts = _starts(case, part=part, grades=grades)
    ends = [start.day for start in starts[1:]] + [date.max]
    result = []
    for start, end in zip(starts, ends, strict=True):
        inside = [(day, effect) for day, effect in effects if start.day < day <= end]
        result.append(
            Segment(
                part=index,
                mean=mean,
                offset=-log1p(-start.low),
                exposure=sum(effect for _, effect in inside),
                planned=case.model.match_factor[part.planned],
                live=end == date.max and not part.cleared,
                rows=_rows(grades, effects=inside, start=start, end=end),
            )
        )
    return result


def _starts(case: FadingCase, *, part: Part, grades: Sequence[Grade]) -> list[_Start]:
    darkened = {
        event.seen_on: _Start(day=event.seen_on, low=0.0)
        for event in case.darkenings
        if event.part == part.key
    }
    for grade in grades:
        if grade.darkened:
            darkened[grade.graded_on] = _Start(day=grade.graded_on, low=grade.low)
    return [_Start(day=date.min, low=0.0), *(darkened[day] for day in sorted(darkened))]


def _rows(
    grades: Sequence[Grade],
    *,
    effects: Sequence[tuple[date, float]],
    start: _Start,
    end: date,
) -> tuple[GradeRow, ...]:
    """The grades of a stretch as likelihood rows.

    A darkened grade sets the start and is no evidence of the rate. A grade equal to the last one
    is read as "no more than this band": a falling grade is refused, so a person who sees less
    than last time repeats the last grade.
    """
    days = [day for day, _ in effects]
    so_far = [0.0, *accumulate(effect for _, effect in effects)]
    rows = []
    previous: Grade | None = None
    for grade in grades:
        if not start.day <= grade.graded_on <= end:
            continue
        if not grade.darkened and grade.graded_on != start.day:
            same = previous is not None and (previous.low, previous.high) == (grade.low, grade.high)
            rows.append(
                GradeRow(
                    exposure=so_far[bisect_left(days, grade.graded_on)],
                    low_logit=-NO_EDGE if same else _logit(grade.low),
                    high_logit=_logit(grade.high),
                )
            )
        previous = grade
    return tuple(rows)


def _logit(fraction: float) -> float:
    if fraction <= 0:
        return -NO_EDGE
    if fraction >= 1:
        return NO_EDGE
    return log(fraction / (1 - fraction))
