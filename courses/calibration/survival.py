"""Product-limit curve of sessions to the goal, with courses that run or were left censored."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite

from lifelines import KaplanMeierFitter


@dataclass(frozen=True, slots=True)
class SurvivalStep:
    """At `time`: share not yet done, its standard error (Greenwood), cases at risk, done."""

    time: float
    not_done: float
    standard_error: float
    at_risk: int
    done: int


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """Steps of a Kaplan-Meier curve and its median (None when never reached)."""

    steps: tuple[SurvivalStep, ...]
    median: float | None


def survival_curve(times: Sequence[float], *, done: Sequence[bool]) -> SurvivalCurve:
    """Kaplan-Meier curve (Kaplan & Meier 1958) by lifelines, steps only where cases are done."""
    fitter = KaplanMeierFitter().fit(list(times), event_observed=list(done))
    table = fitter.event_table
    steps = []
    spread = 0.0
    not_done = 1.0
    for time, row in table.iterrows():
        at_risk, events = int(row["at_risk"]), int(row["observed"])
        if not events:
            continue
        not_done = float(fitter.survival_function_at_times(time).iloc[0])
        spread += events / (at_risk * (at_risk - events)) if at_risk > events else 0.0
        steps.append(
            SurvivalStep(
                time=float(time),
                not_done=not_done,
                standard_error=not_done * spread**0.5,
                at_risk=at_risk,
                done=events,
            )
        )
    median = float(fitter.median_survival_time_)
    return SurvivalCurve(
        steps=tuple(steps), median=median if isfinite(median) and median < inf else None
    )
