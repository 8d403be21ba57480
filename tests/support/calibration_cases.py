"""Courses drawn from a known law, for calibration tests."""

import math

import numpy as np

from courses.calibration.records import CourseRecord, Outcome


def drawn_courses(count, *, multiplier=1.0, spread=0.24, seed=1, follow_up=30, leaving=0.0):
    """Courses whose need is log-normal about multiplier x score, watched for some sessions.

    Predictions are the true quantiles of the published reading (multiplier 1). `follow_up`: the
    most sessions anyone has had time for; `leaving`: chance to leave after each session.
    """
    rng = np.random.default_rng(seed)
    log_sd = math.sqrt(math.log1p(spread**2))
    records = []
    for index in range(count):
        score = int(rng.integers(5, 15))
        need = (multiplier * score - 0.5) * math.exp(log_sd * rng.standard_normal() - log_sd**2 / 2)
        sessions = max(1, math.ceil(need))
        time = int(rng.integers(2, follow_up + 1))
        left = int(rng.geometric(leaving)) if leaving else 10**6
        records.append(_record(index, score=score, sessions=sessions, time=time, left=left))
    return records


def _record(index, *, score, sessions, time, left):
    seen = min(sessions, time, left)
    if seen == sessions:
        outcome = Outcome.REACHED
    elif left <= time:
        outcome = Outcome.DROPPED_OUT
    else:
        outcome = Outcome.RUNNING
    return CourseRecord(
        key=f"course-{index}",
        score=float(score),
        **predicted(score),
        sessions_done=seen,
        outcome=outcome,
    )


def predicted(score, *, spread=0.24):
    """P10, P50, P90 of the published reading."""
    log_sd = math.sqrt(math.log1p(spread**2))
    return {
        name: max(1, math.ceil((score - 0.5) * math.exp(z * log_sd - log_sd**2 / 2)))
        for name, z in (("p10", -1.2816), ("p50", 0.0), ("p90", 1.2816))
    }
