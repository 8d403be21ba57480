"""Clearance of each part over time, as it was graded."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from courses.science.basis import CAUTION, Basis
from courses.science.fading.inputs import Grade
from courses.science.grading import BASIS, CLEAR_FROM, SUCCESS_FROM, TIMING_BASIS


@dataclass(frozen=True, slots=True)
class ClearancePoint:
    """One grade: clearance from `low` to `high` after `sessions` sessions."""

    graded_on: date
    sessions: int
    low: float
    high: float
    darkened: bool


@dataclass(frozen=True, slots=True)
class PartClearance:
    """A part's grades in the order of their days, and when it passed the usual end points.

    `sessions_to_success` (75 %) and `sessions_to_clear` (95 %): sessions before the first grade
    whose whole band lies there; None when there is none yet.
    """

    part: str
    points: tuple[ClearancePoint, ...]
    sessions_to_success: int | None
    sessions_to_clear: int | None
    basis: tuple[Basis, ...] = (BASIS, TIMING_BASIS)
    caution: str = CAUTION


def clearance_over_time(
    grades: Sequence[Grade], *, treated_on: Sequence[date]
) -> tuple[PartClearance, ...]:
    """The course of every graded part, in the order in which parts were first graded."""
    by_part: dict[str, list[ClearancePoint]] = {}
    for grade in sorted(grades, key=lambda grade: grade.graded_on):
        by_part.setdefault(grade.part, []).append(
            ClearancePoint(
                graded_on=grade.graded_on,
                sessions=sum(day < grade.graded_on for day in treated_on),
                low=grade.low,
                high=grade.high,
                darkened=grade.darkened,
            )
        )
    return tuple(
        PartClearance(
            part=part,
            points=tuple(points),
            sessions_to_success=_first(points, least=SUCCESS_FROM),
            sessions_to_clear=_first(points, least=CLEAR_FROM),
        )
        for part, points in by_part.items()
    )


def _first(points: Sequence[ClearancePoint], *, least: float) -> int | None:
    return next((point.sessions for point in points if point.low >= least), None)
