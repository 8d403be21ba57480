"""Scores of all possible starts of a clinic at once, and the choice of the ones to offer.

A score is a weighted mean of parts that depend either on the day, the room, the operator, the
laser or the ink plan. At a given start and device option the best room and the best operator are
therefore independent of each other, and no room x operator x laser table is ever built.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from courses.slots.answer import ScoreName
from courses.slots.clinic_frame import GAPS_COUNTED, ClinicFrame
from courses.slots.grid import GRAIN_MINUTES, BoolArray
from courses.slots.options import DeviceOption
from courses.slots.request import SearchPolicy
from courses.slots.windows import Parts, runs
from courses.vocabulary import TreatmentRole

Floats = npt.NDArray[np.float32]
Days = npt.NDArray[np.int32]
Bytes = npt.NDArray[np.uint8]
# Worth of one side of a visit, in half points; a useless gap is worth nothing.
ROOMY, SNUG = 1, 2
IMPOSSIBLE = np.float32(-1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """Weights that add up to 1."""

    of: dict[ScoreName, float]

    @classmethod
    def from_policy(cls, policy: SearchPolicy) -> "Weights":
        """The chain's weights, scaled."""
        raw = {name: float(getattr(policy, name.value)) for name in ScoreName}
        total = sum(raw.values())
        return cls({name: weight / total for name, weight in raw.items()})


@dataclass(frozen=True, slots=True, eq=False)
class RankedClinic:
    """Best score and option per possible start of one clinic.

    `scores` is below 0 where nothing can start; `chosen` is a position in the frame's options;
    both of shape (columns,). `tidy` as `tidiness`; `worth` its weighted form, to choose among
    rooms and operators.
    """

    frame: ClinicFrame
    scores: Floats
    chosen: npt.NDArray[np.intp]
    closeness: Floats
    tidy: dict[TreatmentRole, Floats]
    worth: dict[TreatmentRole, Floats]

    def room_at(self, option: DeviceOption, column: int) -> int:
        """Position of the best room at a column for an option; the first of equals."""
        able = self.frame.able[TreatmentRole.ROOM]
        return max(
            (index for index in self.frame.rooms_for(option) if able[index, column]),
            key=lambda index: (self.worth[TreatmentRole.ROOM][index, column], -index),
        )

    def operator_at(self, option: DeviceOption, column: int) -> int:
        """Position of the best operator at a column for an option; the first of equals."""
        crew = self.frame.crew_for(option)
        return max(
            (index for index, row in zip(crew.members, crew.able, strict=True) if row[column]),
            key=lambda index: (self.worth[TreatmentRole.OPERATOR][index, column], -index),
        )


def rank_clinic(
    frame: ClinicFrame, *, advised_on: date, policy: SearchPolicy, weights: Weights
) -> RankedClinic:
    """Score every start of a clinic with its best option, room and operator.

    Expects at least one option and one column.
    """
    tidy = tidiness(frame, useful_cells=max(1, policy.useful_gap_minutes // GRAIN_MINUTES))
    closeness = closeness_of(
        frame.zone.day_of_cell[frame.columns],
        advised_on=advised_on,
        half_life_days=policy.closeness_half_life_days,
    )
    worth = _worth(frame, tidy, weights)
    scores = _option_scores(frame, worth, weights)
    chosen = scores.argmax(axis=0)
    best = scores[chosen, np.arange(len(frame.columns))]
    best += closeness * np.float32(weights.of[ScoreName.CLOSENESS])
    best += np.float32(weights.of[ScoreName.PREFERENCE] * frame.clinic.preference)
    return RankedClinic(frame, best, chosen, closeness, tidy, worth)


def closeness_of(days: Days, *, advised_on: date, half_life_days: float) -> Floats:
    """1 on the advised day, half of it `half_life_days` before or after, and so on."""
    away = np.abs(days - advised_on.toordinal()).astype(np.float32)
    return np.asarray(np.exp2(-away / half_life_days), dtype=np.float32)


def tidiness(frame: ClinicFrame, *, useful_cells: int) -> dict[TreatmentRole, Floats]:
    """How a visit fits into each one's free time, 0..1, shape (members, columns).

    The mean of both sides of every part: 1 where it leaves no gap, 0 where it leaves one shorter
    than `useful_cells`, a half where the gap can still be used. A wait between two passes is a
    gap of the laser and the operator like any other, so that a visit whose passes fall into the
    waits of another one fits well. Beyond the grid counts as usable.
    """
    rows = frame.rows[: frame.place[GAPS_COUNTED[-1]].stop]
    cells = frame.grid.cells
    # As wide as any cell beside a visit that starts on the grid; slices of it need no copying.
    free = np.ones((len(rows), cells + 2 * useful_cells + frame.timeline.total), dtype=np.bool_)
    free[:, useful_cells : useful_cells + cells] = rows
    roomy = runs(free, useful_cells).view(np.uint8) * np.uint8(ROOMY)
    snug = (~free).view(np.uint8) * np.uint8(SNUG)
    found = {}
    for role in GAPS_COUNTED:
        place, count = frame.place[role], 0
        sides = np.zeros((place.stop - place.start, cells), dtype=np.uint8)
        for edge in _edges(frame.timeline.parts[role], useful_cells=useful_cells):
            # A cell that is not free begins no room: of both at most one counts.
            sides += _from(snug[place], edge.touching + useful_cells, cells)
            if edge.may_be_roomy:
                sides += _from(roomy[place], edge.gap + useful_cells, cells)
            count += 1
        found[role] = sides.take(frame.columns, axis=1) * np.float32(1 / (count * SNUG))
    return found


def _from(rows: Bytes, first: int, cells: int) -> Bytes:
    return rows[:, first : first + cells]


@dataclass(frozen=True, slots=True)
class _Edge:
    """One side of a part, in cells after the start: the cell beside it, where a gap begins."""

    touching: int
    gap: int
    may_be_roomy: bool


def _edges(parts: Parts, *, useful_cells: int) -> Iterator[_Edge]:
    """Both sides of every part, but none where two parts share a cell or touch."""
    yield _Edge(parts[0][0] - 1, parts[0][0] - useful_cells, may_be_roomy=True)
    for (_, ends), (begins, _) in pairwise(parts):
        if ends < begins:
            roomy = begins - ends >= useful_cells
            yield _Edge(ends, ends, may_be_roomy=roomy)
            yield _Edge(begins - 1, begins - useful_cells, may_be_roomy=roomy)
    yield _Edge(parts[-1][1], parts[-1][1], may_be_roomy=True)


def _worth(
    frame: ClinicFrame, tidy: dict[TreatmentRole, Floats], weights: Weights
) -> dict[TreatmentRole, Floats]:
    """What each room, operator and laser adds to a score, per column."""
    share = np.float32(weights.of[ScoreName.FRAGMENTATION] / len(GAPS_COUNTED))
    worth = {role: values * share for role, values in tidy.items()}
    bonus = [
        weights.of[ScoreName.CONTINUITY] * (operator.id in frame.request.familiar_operator_ids)
        for operator in frame.clinic.operators
    ]
    worth[TreatmentRole.OPERATOR] += np.array(bonus, dtype=np.float32)[:, None]
    return worth


def _option_scores(
    frame: ClinicFrame, worth: dict[TreatmentRole, Floats], weights: Weights
) -> Floats:
    """Score of each option with its best room and operator; -inf where it cannot start.

    Without closeness and preference, which are the same for all options. Shape (options, columns).
    """
    ink = weights.of[ScoreName.INK]
    best: dict[object, Floats] = {}
    scores = []
    for option in frame.options:
        rooms, crew = frame.rooms_for(option), frame.crew_for(option)
        if rooms not in best:
            able = frame.able[TreatmentRole.ROOM][list(rooms)]
            best[rooms] = _best(worth[TreatmentRole.ROOM][list(rooms)], able)
        if id(crew) not in best:
            values = worth[TreatmentRole.OPERATOR][list(crew.members)]
            best[id(crew)] = _best(values, crew.able)
        devices = worth[TreatmentRole.LASER][option.laser] + np.float32(ink * option.plan.ink)
        devices[~frame.devices_able(option)] = -np.inf
        scores.append(best[rooms] + best[id(crew)] + devices)
    return np.stack(scores)


def _best(values: Floats, able: BoolArray) -> Floats:
    """The highest value of those able, per column; -inf where none is."""
    return np.asarray(np.where(able, values, -np.inf).max(axis=0, initial=-np.inf))
