"""Predicted against observed: the calibration report of a chain."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log, sqrt

import numpy as np

from courses.calibration.records import CourseRecord, Outcome, check_records
from courses.calibration.refit import LEAST_REACHED, NORMAL_975, Refit, refit
from courses.calibration.survival import SurvivalCurve, survival_curve
from courses.science.basis import CAUTION, Basis, Kind
from courses.science.binomial import Share, share_of

LEAST_COURSES = 30
NOMINAL_COVERAGE = 0.8
GROUP_EDGES = (6, 9, 12)

BASIS = Basis(
    id="calibration.report",
    version="1",
    source=(
        "Shares with Clopper-Pearson intervals; sessions to the goal by Kaplan-Meier, courses "
        "that run or were left early censored; the limit of 30 courses is a proposal"
    ),
    kind=Kind.PROPOSAL,
)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Courses that reached their goal: means, and errors of P50 (observed less predicted).

    Courses still running are missing here, the long ones first: see the curve for them.
    """

    courses: int
    mean_predicted: float
    mean_observed: float
    ratio: float
    mean_error: float
    mean_absolute_error: float


@dataclass(frozen=True, slots=True)
class Coverage:
    """How many lie within P10-P90.

    `within`, `below`, `above`: of the courses whose place is known, which are the quick ones
    first. `allowing`: the share within by the product-limit rule, which allows for the `undecided`
    ones; `allowing_error` is its standard error (Greenwood).
    """

    within: Share
    below: Share
    above: Share
    undecided: int
    allowing: float | None
    allowing_error: float | None
    nominal: float = NOMINAL_COVERAGE

    @property
    def as_expected(self) -> bool:
        """Whether either estimate is within its 95 % interval of the nominal 80 %."""
        if self.within.low <= self.nominal <= self.within.high:
            return True
        if self.allowing is None or self.allowing_error is None:
            return False
        return abs(self.allowing - self.nominal) <= NORMAL_975 * self.allowing_error


@dataclass(frozen=True, slots=True)
class Group:
    """Courses whose predicted P50 lies in a span: what was seen of them."""

    predicted_from: int
    predicted_to: int | None
    courses: int
    reached: int
    mean_predicted: float
    median_observed: float | None


@dataclass(frozen=True, slots=True)
class DropOut:
    """Courses left early, and after how many sessions: (sessions, courses)."""

    share: Share
    after_sessions: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class CalibrationReport:
    """The report. With too little data only counts and a message stand in it."""

    courses: int
    counts: tuple[tuple[Outcome, int], ...]
    enough: bool
    messages: tuple[str, ...]
    accuracy: Accuracy | None = None
    coverage: Coverage | None = None
    groups: tuple[Group, ...] = ()
    curve: SurvivalCurve | None = None
    drop_out: DropOut | None = None
    refit: Refit | None = None
    basis: tuple[Basis, ...] = (BASIS,)
    caution: str = CAUTION


def calibrate(
    records: Sequence[CourseRecord], *, on_step: Callable[[str], None] = lambda _: None
) -> CalibrationReport:
    """Compare a chain's courses with what was predicted of them, and refit the prior.

    `on_step` is told the name of each step as it begins. Raises InvalidInput for a record that
    cannot be true.
    """
    on_step("checking the courses")
    check_records(records)
    counts = tuple(
        (outcome, sum(record.outcome is outcome for record in records)) for outcome in Outcome
    )
    if len(records) < LEAST_COURSES:
        return CalibrationReport(
            courses=len(records),
            counts=counts,
            enough=False,
            messages=(_too_little(len(records)),),
        )
    on_step("coverage of the predictions")
    coverage = coverage_of(records)
    on_step("sessions to the goal")
    curve = _curve(records)
    groups = _groups(records)
    on_step("refit of the prior")
    refitted = refit(records)
    return CalibrationReport(
        courses=len(records),
        counts=counts,
        enough=True,
        messages=_messages(coverage, refitted=refitted),
        accuracy=_accuracy(records),
        coverage=coverage,
        groups=groups,
        curve=curve,
        drop_out=_drop_out(records),
        refit=refitted,
    )


def _too_little(count: int) -> str:
    return (
        f"Too little data: {count} courses, and nothing is concluded from fewer than "
        f"{LEAST_COURSES}."
    )


def coverage_of(records: Sequence[CourseRecord]) -> Coverage:
    """Place every course below, within or above its P10-P90 band, as far as that is known."""
    below = within = above = undecided = 0
    for record in records:
        n = record.sessions_done
        if record.reached:
            below += n < record.p10
            within += record.p10 <= n <= record.p90
            above += n > record.p90
        elif n >= record.p90:
            above += 1
        else:
            undecided += 1
    known = below + within + above
    allowing, error = _product_limit(records)
    return Coverage(
        within=share_of(within, cases=known),
        below=share_of(below, cases=known),
        above=share_of(above, cases=known),
        undecided=undecided,
        allowing=allowing,
        allowing_error=error,
    )


def _product_limit(records: Sequence[CourseRecord]) -> tuple[float, float] | tuple[None, None]:
    """Share within the band and its standard error, courses that are not done censored.

    Each course is placed on the log scale on which its own band runs from 0 to 1; that makes
    bands of different length comparable.
    """
    if not any(record.reached for record in records):
        return None, None
    places = [_place(record) for record in records]
    start = min(*places, 0.0)
    curve = survival_curve(
        [place - start for place in places], done=[record.reached for record in records]
    )
    (reach_low, error_low), (reach_high, error_high) = (
        _at(curve, place=edge - start) for edge in (0.0, 1.0)
    )
    if not reach_low:
        return 0.0, 0.0
    passed = reach_high / reach_low
    # Greenwood's sums of the steps up to the band, and within it.
    early = (error_low / reach_low) ** 2
    inside = (error_high / reach_high) ** 2 - early if reach_high else 0.0
    variance = reach_low**2 * ((1 - passed) ** 2 * early + passed**2 * inside)
    return reach_low - reach_high, sqrt(variance)


def _place(record: CourseRecord) -> float:
    """Where a course's count stands, its band running from 0 to 1; half a session on if open."""
    low, high = log(record.p10 - 0.5), log(record.p90 + 0.5)
    count = record.sessions_done + (0.0 if record.reached else 0.5)
    return (log(max(count, 0.25)) - low) / (high - low)


def _at(curve: SurvivalCurve, *, place: float) -> tuple[float, float]:
    """Share not yet done at a place, with its standard error."""
    value = 1.0, 0.0
    for step in curve.steps:
        if step.time > place:
            break
        value = step.not_done, step.standard_error
    return value


def _accuracy(records: Sequence[CourseRecord]) -> Accuracy | None:
    done = [record for record in records if record.reached]
    if not done:
        return None
    predicted = np.array([record.p50 for record in done], dtype=np.float64)
    observed = np.array([record.sessions_done for record in done], dtype=np.float64)
    error = observed - predicted
    return Accuracy(
        courses=len(done),
        mean_predicted=float(predicted.mean()),
        mean_observed=float(observed.mean()),
        ratio=float(observed.mean() / predicted.mean()) if predicted.any() else 0.0,
        mean_error=float(error.mean()),
        mean_absolute_error=float(np.abs(error).mean()),
    )


def _curve(records: Sequence[CourseRecord]) -> SurvivalCurve:
    return survival_curve(
        [float(record.sessions_done) for record in records],
        done=[record.reached for record in records],
    )


def _groups(records: Sequence[CourseRecord]) -> tuple[Group, ...]:
    starts = (1, *(edge + 1 for edge in GROUP_EDGES))
    ends = (*GROUP_EDGES, None)
    groups = []
    for start, end in zip(starts, ends, strict=True):
        inside = [
            record
            for record in records
            if record.p50 >= start and (end is None or record.p50 <= end)
        ]
        if not inside:
            continue
        groups.append(
            Group(
                predicted_from=start,
                predicted_to=end,
                courses=len(inside),
                reached=sum(record.reached for record in inside),
                mean_predicted=sum(record.p50 for record in inside) / len(inside),
                median_observed=_curve(inside).median,
            )
        )
    return tuple(groups)


def _drop_out(records: Sequence[CourseRecord]) -> DropOut:
    """Share of the courses that ended (running ones have not had their chance to be left)."""
    left = [record.sessions_done for record in records if record.outcome is Outcome.DROPPED_OUT]
    ended = sum(record.outcome is not Outcome.RUNNING for record in records)
    return DropOut(
        share=share_of(len(left), cases=ended),
        after_sessions=tuple((n, left.count(n)) for n in sorted(set(left))),
    )


def _messages(coverage: Coverage, *, refitted: Refit | None) -> tuple[str, ...]:
    messages = []
    if not coverage.as_expected:
        messages.append(
            f"{coverage.within.rate:.0%} of the courses lie within P10-P90 "
            f"({coverage.within.low:.0%} to {coverage.within.high:.0%}), not the expected 80 %."
        )
    if refitted is None:
        messages.append(
            f"No refit: it needs {LEAST_REACHED} courses at their goal and a fit that converges."
        )
        return tuple(messages)
    fit = refitted.proposed
    messages.append(
        f"Proposed: {fit.multiplier:.2f} sessions a point "
        f"({fit.multiplier_low:.2f} to {fit.multiplier_high:.2f}). A clinician accepts or refuses."
    )
    if refitted.slope is not None and not refitted.slope.as_published:
        messages.append(
            f"Sessions rise with the score to the power of {refitted.slope.value:.2f}, not 1: the "
            "scale's steps do not fit these courses well."
        )
    return tuple(messages)
