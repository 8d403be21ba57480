"""Clearance grades: coarse bands in which a person places how much ink has gone.

Scales as the trials used them: quartiles (two Thai school programmes 2012; labels from memory),
four points (Saedi 2012), five points (Cannarozzo 2021; edges from memory), eleven points by
deciles (Bernstein 2018; edges from memory). Above 95 % counts as clear (Kilmer 1993).
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from math import isfinite

from courses.science.basis import Basis, Kind
from courses.science.errors import InvalidInput

CLEAR_FROM = 0.95
SUCCESS_FROM = 0.75
MIN_DAYS_AFTER_TREATMENT = 28

BASIS = Basis(
    id="clearance.grading-scales",
    version="1",
    source=(
        "Scales of Saedi 2012, Cannarozzo 2021, Bernstein 2018 and two Thai programmes 2012; "
        "labels and edges partly from memory"
    ),
    kind=Kind.MEMORY,
)
TIMING_BASIS = Basis(
    id="clearance.grading-day",
    version="1",
    source=(
        "Whitening hides ink on the day of treatment (common practice); trials grade 1 to 3 "
        "months after a session"
    ),
    kind=Kind.COMMON_PRACTICE,
)


class ClearanceScale(StrEnum):
    """The grading scales a clinic may use."""

    QUARTILES = "quartiles"
    QUARTILES_CLEAR = "quartiles_clear"
    FIVE_POINT = "five_point"
    DECILES = "deciles"


@dataclass(frozen=True, slots=True)
class Band:
    """One grade of a scale: clearance between `low` and `high`, as fractions of the ink."""

    scale: ClearanceScale
    grade: int
    label: str
    low: float
    high: float


def _bands(
    scale: ClearanceScale, *, labels: Collection[str], edges: Collection[float], first: int
) -> tuple[Band, ...]:
    limits = [0.0, *edges, 1.0]
    return tuple(
        Band(scale=scale, grade=grade, label=label, low=low, high=high)
        for grade, (label, low, high) in enumerate(
            zip(labels, limits[:-1], limits[1:], strict=True), start=first
        )
    )


SCALES: Mapping[ClearanceScale, tuple[Band, ...]] = {
    ClearanceScale.QUARTILES: _bands(
        ClearanceScale.QUARTILES,
        labels=("poor", "fair", "good", "excellent"),
        edges=(0.25, 0.5, 0.75),
        first=1,
    ),
    ClearanceScale.QUARTILES_CLEAR: _bands(
        ClearanceScale.QUARTILES_CLEAR,
        labels=("poor", "fair", "good", "excellent", "clear"),
        edges=(0.25, 0.5, 0.75, CLEAR_FROM),
        first=1,
    ),
    ClearanceScale.FIVE_POINT: _bands(
        ClearanceScale.FIVE_POINT,
        labels=("none", "slight", "moderate", "marked", "almost_clear"),
        edges=(0.05, 0.25, 0.5, 0.75),
        first=0,
    ),
    ClearanceScale.DECILES: _bands(
        ClearanceScale.DECILES,
        labels=tuple(f"{decile * 10}" for decile in range(11)),
        edges=tuple(decile / 10 + 0.05 for decile in range(10)),
        first=0,
    ),
}

_UPPER_EDGE_INCLUDED = {
    ClearanceScale.QUARTILES: True,
    ClearanceScale.QUARTILES_CLEAR: True,
    ClearanceScale.FIVE_POINT: False,
    ClearanceScale.DECILES: True,
}


def band_of(clearance: float, *, scale: ClearanceScale = ClearanceScale.QUARTILES_CLEAR) -> Band:
    """The band in which a clearance (0 to 1) lies: 0.25 is poor, 0.26 fair, 0.96 clear.

    Raises InvalidInput for a clearance outside 0 to 1.
    """
    if not isfinite(clearance) or not 0 <= clearance <= 1:
        raise InvalidInput(
            field="clearance",
            rule="clearance-range",
            message=f"Clearance is a fraction from 0 to 1, not {clearance:g}.",
        )
    bands = SCALES[scale]
    for band in bands:
        if clearance < band.high or (_UPPER_EDGE_INCLUDED[scale] and clearance == band.high):
            return band
    return bands[-1]


def band_of_grade(grade: int, *, scale: ClearanceScale) -> Band:
    """The band of a grade number. Raises InvalidInput for a grade the scale does not have."""
    for band in SCALES[scale]:
        if band.grade == grade and not isinstance(grade, bool):
            return band
    raise InvalidInput(
        field="grade",
        rule="grade-unknown",
        message=f"{scale.value} has no grade {grade!r}.",
    )


def band_of_label(label: str, *, scale: ClearanceScale) -> Band:
    """The band of a label. Raises InvalidInput for a label the scale does not have."""
    for band in SCALES[scale]:
        if band.label == label:
            return band
    raise InvalidInput(
        field="grade", rule="grade-unknown", message=f"{scale.value} has no grade {label!r}."
    )


def check_grading_day(
    graded_on: date, *, treated_on: Collection[date], field: str = "graded_on"
) -> None:
    """Raise InvalidInput when ink cannot be judged on that day.

    Not before the first session, not on a day of treatment (whitening hides ink), not within 28
    days after a session.
    """
    before = [day for day in treated_on if day <= graded_on]
    if not before:
        raise InvalidInput(
            field=field,
            rule="grade-before-first-session",
            message=f"Nothing was treated before {graded_on}; there is no clearance to grade.",
        )
    days = (graded_on - max(before)).days
    if days == 0:
        raise InvalidInput(
            field=field,
            rule="grade-on-treatment-day",
            message="Whitening hides ink on the day of treatment; grade on a later day.",
        )
    if days < MIN_DAYS_AFTER_TREATMENT:
        raise InvalidInput(
            field=field,
            rule="grade-too-early",
            message=(
                f"Grade from day {MIN_DAYS_AFTER_TREATMENT} after a session on; "
                f"{graded_on} is day {days}."
            ),
        )
