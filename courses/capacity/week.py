"""Hours of one clinic in one week, by kind of resource and by wavelength.

A unit's bookable time is the time in which it could serve a visit (open, on shift, not locked
out, not away). Its free time is what is left of that after its appointments. A kind binds where
it has the fewest free hours: the next visit fails there first.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from core.spans import Span, intersect, merge

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Unit:
    """One room, person, laser or handpiece: when it could be booked and when it is.

    `kind` is free text (a resource kind). `wavelengths_nm` are the lines it can serve; None
    means any.
    """

    kind: str
    id: int
    bookable: tuple[Span, ...]
    booked: tuple[Span, ...]
    wavelengths_nm: frozenset[int] | None = None

    def serves(self, wavelength_nm: int | None) -> bool:
        """Whether it counts for this line; None asks for all lines together."""
        return (
            wavelength_nm is None
            or self.wavelengths_nm is None
            or wavelength_nm in self.wavelengths_nm
        )


@dataclass(frozen=True, slots=True)
class CapacityRow:
    """Hours of one kind for one line (None: all). `utilisation` is None without bookable time."""

    kind: str
    wavelength_nm: int | None
    units: int
    bookable_h: float
    booked_h: float
    free_h: float
    utilisation: float | None


@dataclass(frozen=True, slots=True)
class WeekCapacity:
    """One week: a row per kind and line, and the kind that binds per line."""

    rows: tuple[CapacityRow, ...]
    binding: tuple[tuple[int | None, str], ...]


def week_capacity(
    units: Sequence[Unit], *, kinds: Sequence[str], wavelengths_nm: Iterable[int], week: Span
) -> WeekCapacity:
    """The capacity of one week from its units, in the order of `kinds`.

    A kind without a unit gives a row of zero hours, and binds.
    """
    lines: list[int | None] = [None, *sorted(set(wavelengths_nm))]
    rows = [
        _row(
            kind,
            line,
            units=[unit for unit in units if unit.kind == kind and unit.serves(line)],
            week=week,
        )
        for line in lines
        for kind in kinds
    ]
    binding = [
        (line, min((row for row in rows if row.wavelength_nm == line), key=_free).kind)
        for line in lines
    ]
    return WeekCapacity(tuple(rows), tuple(binding))


def _free(row: CapacityRow) -> tuple[float, float]:
    return row.free_h, -(row.utilisation or 0.0)


def _row(kind: str, line: int | None, *, units: Sequence[Unit], week: Span) -> CapacityRow:
    bookable = booked = free = 0.0
    for unit in units:
        could = intersect(unit.bookable, [week])
        taken = intersect(could, unit.booked)
        bookable += _hours(could)
        booked += _hours(intersect(merge(unit.booked), [week]))
        free += _hours(could) - _hours(taken)
    return CapacityRow(
        kind=kind,
        wavelength_nm=line,
        units=len(units),
        bookable_h=bookable,
        booked_h=booked,
        free_h=free,
        utilisation=booked / bookable if bookable else None,
    )


def _hours(spans: Iterable[Span]) -> float:
    return sum((span.duration.total_seconds() for span in spans), 0.0) / HOUR_S
