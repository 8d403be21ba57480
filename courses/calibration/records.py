"""One course as calibration sees it."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

from courses.science.errors import InvalidInput


class Outcome(StrEnum):
    """How a course stands: goal reached, still running, left early, or stopped for the skin."""

    REACHED = "reached"
    RUNNING = "running"
    DROPPED_OUT = "dropped_out"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class CourseRecord:
    """A course with what was predicted at its start.

    `score`: expected sessions at one session a point: points of the scale plus what a palpable
    tattoo adds, times the fraction of the need that a lightening takes. `p10`, `p50`, `p90`: total
    sessions as first estimated. `sessions_done`: sessions so far, or until the goal.
    """

    key: str
    score: float
    p10: int
    p50: int
    p90: int
    sessions_done: int
    outcome: Outcome

    @property
    def reached(self) -> bool:
        """Whether the goal was reached, so the number of sessions is known."""
        return self.outcome is Outcome.REACHED


def check_records(records: Sequence[CourseRecord]) -> None:
    """Raise InvalidInput for the first record that cannot be true."""
    seen: set[str] = set()
    for index, record in enumerate(records):
        where = f"courses[{index}]"
        if record.key in seen:
            raise InvalidInput(
                field=f"{where}.key", rule="course-once", message=f"{record.key} stands twice."
            )
        seen.add(record.key)
        if not isfinite(record.score) or record.score <= 0:
            raise InvalidInput(
                field=f"{where}.score",
                rule="score-positive",
                message=f"A score is above 0, not {record.score:g}.",
            )
        if not 1 <= record.p10 <= record.p50 <= record.p90:
            raise InvalidInput(
                field=f"{where}.p50",
                rule="quantiles-ordered",
                message="P10, P50 and P90 stand in rising order from 1.",
            )
        least = 1 if record.reached else 0
        if record.sessions_done < least:
            raise InvalidInput(
                field=f"{where}.sessions_done",
                rule="sessions-counted",
                message=f"{record.sessions_done} sessions cannot be right for {record.outcome}.",
            )
