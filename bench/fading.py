"""Speed of the session estimate: one tattoo, a batch, and a plain quadrature of the same posterior.

Run: python -m bench.fading [--batch 10000]
"""

import argparse
import statistics
import time
from dataclasses import replace
from datetime import timedelta

import numpy as np

from courses.science.estimate.answer import estimate, estimate_batch
from courses.science.estimate.inputs import Assessment, EstimateRequest
from courses.science.fading.forecast import forecast
from courses.vocabulary import BodySite, InkAmount, SkinType
from tests.support.fading_cases import drawn_case
from tests.support.plain_fading import PlainFading

PARTS, SESSIONS = 4, 10
PLAIN_STEPS = 13


def request_of(tattoo, *, rng):
    """An estimate request around a drawn tattoo."""
    return EstimateRequest(
        assessment=Assessment(
            skin_type=SkinType(int(rng.integers(1, 7))),
            site=BodySite.FOREARM,
            area_cm2=60.0,
            parts=tattoo.parts,
            ink_amount=InkAmount.MODERATE,
        ),
        sessions=tattoo.sessions,
        grades=tattoo.grades,
        next_on=tattoo.sessions[-1].treated_on + timedelta(days=57),
    )


def timed(call, repeats):
    """Milliseconds of each of `repeats` calls."""
    result = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        result.append((time.perf_counter() - start) * 1e3)
    return result


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--batch", type=int, default=10_000)
    batch = parser.parse_args().batch
    rng = np.random.default_rng(1)
    drawn = [
        drawn_case(rng, part_count=PARTS, session_count=SESSIONS)[0] for _ in range(min(batch, 500))
    ]
    requests = [request_of(tattoo, rng=rng) for tattoo in drawn]
    many = [requests[n % len(requests)] for n in range(batch)]

    estimate(requests[0])
    single = timed(lambda: estimate(requests[int(rng.integers(len(requests)))]), 500)
    began = time.process_time()
    whole = timed(lambda: estimate_batch(many), 1)[0]
    processor = time.process_time() - began

    tattoo = replace(drawn[0], sessions=drawn[0].sessions[:5])
    last = tattoo.sessions[-1].treated_on + timedelta(days=50)
    tattoo = replace(tattoo, grades=[g for g in tattoo.grades if g.graded_on <= last])
    grid = statistics.median(timed(lambda: forecast(tattoo, horizon=PLAIN_STEPS - 1), 50))
    start = time.perf_counter()
    plain_answer = [PlainFading(tattoo).done_within(n) for n in range(PLAIN_STEPS)]
    plain = (time.perf_counter() - start) * 1e3
    answer = forecast(tattoo, horizon=PLAIN_STEPS - 1).done_within
    gap = max(abs(a - b) for a, b in zip(answer, plain_answer, strict=True))

    rows = [
        (
            f"one estimate, {SESSIONS} graded sessions, {PARTS} parts, p50",
            f"{np.median(single):.2f} ms",
        ),
        (
            f"one estimate, {SESSIONS} graded sessions, {PARTS} parts, p99",
            f"{np.quantile(single, 0.99):.2f} ms",
        ),
        (f"batch of {batch} such courses", f"{whole / 1e3:.2f} s"),
        (f"batch of {batch} such courses, processor time", f"{processor:.2f} s"),
        (f"grid, 5 sessions, {PARTS} parts, {PLAIN_STEPS} steps ahead", f"{grid:.2f} ms"),
        ("scipy quad, the same posterior and steps", f"{plain:.0f} ms"),
        ("ratio quad / grid", f"{plain / grid:.0f}"),
        ("largest difference of a probability", f"{gap:.1e}"),
    ]
    width = max(len(name) for name, _ in rows)
    for name, value in rows:
        print(f"{name:<{width}}  {value:>10}")


if __name__ == "__main__":
    main()
