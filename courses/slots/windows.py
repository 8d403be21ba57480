"""Sliding windows over rows of booleans: where could something that takes so many cells start?"""

from dataclasses import dataclass

from courses.slots.grid import GRAIN_MINUTES, BoolArray
from courses.slots.timeline import Timeline
from courses.vocabulary import TreatmentRole

Parts = tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class CellTimeline:
    """A timeline in cells: for each role, (from, to) cells after the start; `total` cells."""

    parts: dict[TreatmentRole, Parts]
    total: int

    @classmethod
    def of(cls, timeline: Timeline) -> "CellTimeline":
        """Round outwards: a role keeps every cell that it touches."""
        parts = {
            role: tuple(
                (begin // GRAIN_MINUTES, -(-end // GRAIN_MINUTES))
                for begin, end in timeline.role_minutes(role)
            )
            for role in TreatmentRole
        }
        return cls(parts, -(-timeline.minutes // GRAIN_MINUTES))

    def outer(self, role: TreatmentRole) -> tuple[int, int]:
        """First cell in which a role is needed, and the one after the last."""
        return self.parts[role][0][0], self.parts[role][-1][1]


def runs(rows: BoolArray, length: int) -> BoolArray:
    """Cells t for which all of t .. t+length-1 are true, along the last axis.

    Windows are doubled, so that the work grows with the logarithm of `length`. A window that
    would reach past the last cell is false.
    """
    found = rows.copy()
    have = 1
    while have < length:
        step = min(have, length - have)
        found[..., :-step] &= found[..., step:]
        found[..., -step:] = False
        have += step
    return found


def starts(rows: BoolArray, parts: Parts) -> BoolArray:
    """Cells t for which all cells of every part, counted from t, are true. Shape as `rows`."""
    found: BoolArray | None = None
    for begin, end in parts:
        part = runs(rows, end - begin)
        if begin:
            part[..., :-begin] = part[..., begin:]
            part[..., -begin:] = False
        found = part if found is None else found & part
    return rows.copy() if found is None else found
