"""What the grades say about a tattoo: remaining sessions, clearance and why."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from math import log1p
from typing import Self

import numpy as np

from courses.science.basis import CAUTION, Basis
from courses.science.fading.explain import Note, notes_for
from courses.science.fading.grid import Array, update
from courses.science.fading.inputs import FadingCase, check_case
from courses.science.fading.model import MISMATCH_BASIS, MODEL_BASIS
from courses.science.fading.predict import Prediction, predict
from courses.science.fading.segments import Segment, segments_of
from courses.science.grading import TIMING_BASIS

HORIZON = 40
# Measured: the arrays of 8 tattoos stay in the processor's cache, those of 64 take twice as long.
CHUNK = 8


@dataclass(frozen=True, slots=True)
class Sessions:
    """P10, P50 and P90 of a number of sessions; None where it lies beyond the horizon."""

    p10: int | None
    p50: int | None
    p90: int | None

    def plus(self, done: int) -> Self:
        """The same with `done` sessions more."""
        return type(self)(
            *(None if value is None else value + done for value in (self.p10, self.p50, self.p90))
        )


@dataclass(frozen=True, slots=True)
class Fraction:
    """P10, P50 and P90 of a fraction."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True)
class PartForecast:
    """One part still to clear. `done_within[n]`: probability after n further sessions."""

    key: str
    clearance: Fraction
    fading_per_session: Fraction
    remaining: Sessions
    done_within: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class TattooForecast:
    """The tattoo as a whole: its slowest part governs (`governed_by`, None when all is gone)."""

    sessions_done: int
    remaining: Sessions
    total: Sessions
    done_within: tuple[float, ...]
    parts: tuple[PartForecast, ...]
    governed_by: str | None
    notes: tuple[Note, ...]
    basis: tuple[Basis, ...]
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class CourseForecast:
    """Several tattoos of one course; `governed_by` is the index of the slowest."""

    remaining: Sessions
    done_within: tuple[float, ...]
    governed_by: int


def together(forecasts: Sequence[TattooForecast]) -> CourseForecast:
    """Several tattoos treated in the same sessions: done when the slowest is.

    The tattoos are taken as independent. Tattoos of one patient fade alike to a degree, so this
    is the cautious reading: it never promises an earlier end than the dependence would.
    """
    done = np.prod([answer.done_within for answer in forecasts], axis=0)
    return CourseForecast(
        remaining=_quantiles(done),
        done_within=tuple(done.tolist()),
        governed_by=min(range(len(forecasts)), key=lambda n: sum(forecasts[n].done_within)),
    )


def forecast(case: FadingCase, *, horizon: int = HORIZON) -> TattooForecast:
    """Forecast one tattoo. Raises InvalidInput for a case that breaks a rule of the inputs."""
    return forecast_batch([case], horizon=horizon)[0]


def forecast_batch(cases: Sequence[FadingCase], *, horizon: int = HORIZON) -> list[TattooForecast]:
    """Forecast many tattoos, in their order; the work is done on arrays of them.

    Raises InvalidInput for the first case that breaks a rule; nothing is answered then.
    """
    for case in cases:
        check_case(case)
    result: list[TattooForecast | None] = [None] * len(cases)
    for chunk in _chunks(cases):
        for index, answer in zip(chunk, _forecast_chunk(cases, chunk, horizon), strict=True):
            result[index] = answer
    return [answer for answer in result if answer is not None]


def _chunks(cases: Sequence[FadingCase]) -> Iterator[list[int]]:
    """Indices of cases that share a model, a few at a time."""

    def key(index: int) -> tuple[float, float]:
        model = cases[index].model
        return model.patient_share, model.grader_scale

    for _, group in groupby(sorted(range(len(cases)), key=key), key=key):
        indices = list(group)
        for start in range(0, len(indices), CHUNK):
            yield indices[start : start + CHUNK]


def _forecast_chunk(
    cases: Sequence[FadingCase], chunk: Sequence[int], horizon: int
) -> Iterator[TattooForecast]:
    chosen = [cases[index] for index in chunk]
    segments = [segments_of(case) for case in chosen]
    model = chosen[0].model
    posterior = update(
        segments,
        log_sd=[case.prior.log_sd for case in chosen],
        patient_share=model.patient_share,
        grader_scale=model.grader_scale,
    )
    goal = np.array([-log1p(-case.goal.clearance) for case in chosen])
    prediction = predict(posterior, log_goal=goal, horizon=horizon)
    owner = posterior.stack.case[prediction.live]
    bounds = np.searchsorted(owner, np.arange(len(chosen) + 1))
    for index, case in enumerate(chosen):
        yield _answer(
            case,
            segments=segments[index],
            prediction=prediction,
            rows=range(bounds[index], bounds[index + 1]),
            tattoo_done=prediction.tattoo_done[index],
        )


def _answer(
    case: FadingCase,
    *,
    segments: Sequence[Segment],
    prediction: Prediction,
    rows: range,
    tattoo_done: Array,
) -> TattooForecast:
    live = [segment for segment in segments if segment.live]
    parts = tuple(
        _part(case.parts[segment.part].key, prediction=prediction, row=row)
        for segment, row in zip(live, rows, strict=True)
    )
    remaining = _quantiles(tattoo_done)
    governed_by = min(parts, key=_quickness).key if parts else None
    done = len(case.sessions)
    return TattooForecast(
        sessions_done=done,
        remaining=remaining,
        total=remaining.plus(done),
        done_within=tuple(tattoo_done.tolist()),
        parts=parts,
        governed_by=governed_by,
        notes=notes_for(case, medians={part.key: part.clearance.p50 for part in parts}),
        basis=(MODEL_BASIS, case.prior.basis, MISMATCH_BASIS, TIMING_BASIS),
    )


def _quickness(part: PartForecast) -> float:
    """Sum of the probabilities to be done: least for the part that takes longest."""
    return sum(part.done_within)


def _part(key: str, *, prediction: Prediction, row: int) -> PartForecast:
    done = prediction.part_done[row]
    return PartForecast(
        key=key,
        clearance=_fraction(prediction.gone[row]),
        fading_per_session=_fraction(prediction.rate[row]),
        remaining=_quantiles(done),
        done_within=tuple(done.tolist()),
    )


def _fraction(logs: Array) -> Fraction:
    p10, p50, p90 = (-np.expm1(-logs)).tolist()
    return Fraction(p10=p10, p50=p50, p90=p90)


def _quantiles(done: Array) -> Sessions:
    at = np.searchsorted(done, (0.1, 0.5, 0.9))
    return Sessions(*(int(n) if n < done.size else None for n in at))
