"""Scores of all possible starts of a clinic at once, and the choice of the ones to offer.

A score is a weighted mean of parts that depend either on the day, the room, the operator, the
laser or the ink plan. At a given start and device option the best room and the best operator are
therefore independent of each other, and no room x operator x laser table is ever built.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from courses.slots.answer import ScoreName
from courses.slots.clinic_frame import ClinicFrame
from courses.slots.grid import GRAIN_MINUTES, BoolArray
from courses.slots.options import DeviceOption
from courses.slots.request import SearchPolicy
from courses.slots.windows import runs
from courses.vocabulary import TreatmentRole

Floats = npt.NDArray[np.float32]
Days = npt.NDArray[np.int32]
GAPS_COUNTED = (TreatmentRole.ROOM, TreatmentRole.OPERATOR, TreatmentRole.LASER)
SIDES = 2
USELESS, ROOMY, SNUG = 0, 1, 2
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
    """Best score and option per possible start of one clinic; `tidiness[role]` as in `tidiness`.

    `scores` is below 0 where nothing can start; `chosen` is a position in the frame's options.
    """

    frame: ClinicFrame
    scores: Floats
    chosen: npt.NDArray[np.int32]
    closeness: Floats
    tidiness: dict[TreatmentRole, Floats]

    def room_at(self, option: DeviceOption, column: int) -> int:
        """Position of the best room at a column for an option."""
        able = self.frame.able[TreatmentRole.ROOM][:, column]
        tidy = self.tidiness[TreatmentRole.ROOM][:, column]
        return max(
            (index for index in self.frame.rooms_for(option) if able[index]),
            key=lambda index: (tidy[index], -index),
        )

    def operator_at(self, option: DeviceOption, column: int, *, weights: Weights) -> int:
        """Position of the best operator at a column for an option."""
        crew = self.frame.crew_for(option)
        value = _operator_values(self.frame, self.tidiness, weights)[:, column]
        return max(
            (index for index, row in zip(crew.members, crew.able, strict=True) if row[column]),
            key=lambda index: (value[index], -index),
        )


def rank_clinic(
    frame: ClinicFrame, *, advised_on: date, policy: SearchPolicy, weights: Weights
) -> RankedClinic:
    """Score every start of a clinic, with its best option, room and operator."""
    tidy = tidiness(frame, useful_cells=max(1, policy.useful_gap_minutes // GRAIN_MINUTES))
    closeness = closeness_of(
        frame.zone.day_of_cell[frame.columns],
        advised_on=advised_on,
        half_life_days=policy.closeness_half_life_days,
    )
    share = np.float32(weights.of[ScoreName.FRAGMENTATION] / len(GAPS_COUNTED))
    rooms = _BestRoom(frame, tidy[TreatmentRole.ROOM] * share)
    crews = _BestCrew(frame, _operator_values(frame, tidy, weights))
    best = np.full(len(frame.columns), IMPOSSIBLE, dtype=np.float32)
    chosen = np.zeros(len(frame.columns), dtype=np.int32)
    for number, option in enumerate(frame.options):
        score = (
            rooms.at(option) + crews.at(option) + tidy[TreatmentRole.LASER][option.laser] * share
        )
        score += np.float32(weights.of[ScoreName.INK] * option.plan.ink)
        score[~frame.devices_able(option)] = -np.inf
        better = score > best
        best[better] = score[better]
        chosen[better] = number
    everywhere = weights.of[ScoreName.PREFERENCE] * frame.clinic.preference
    possible = best >= 0
    best[possible] += closeness[possible] * np.float32(weights.of[ScoreName.CLOSENESS])
    best[possible] += np.float32(everywhere)
    return RankedClinic(frame, best, chosen, closeness, tidy)


def closeness_of(days: Days, *, advised_on: date, half_life_days: float) -> Floats:
    """1 on the advised day, half of it `half_life_days` before or after, and so on."""
    away = np.abs(days - advised_on.toordinal()).astype(np.float32)
    return np.asarray(np.exp2(-away / half_life_days), dtype=np.float32)


def tidiness(frame: ClinicFrame, *, useful_cells: int) -> dict[TreatmentRole, Floats]:
    """How a visit fits into each one's free time, 0..1, shape (members, columns).

    The mean of both sides: 1 where it leaves no gap, 0 where it leaves one shorter than
    `useful_cells`, a half where the gap can still be used. Beyond the grid counts as usable.
    """
    found = {}
    for role in GAPS_COUNTED:
        free = np.pad(
            frame.free[role], ((0, 0), (useful_cells, useful_cells)), constant_values=True
        )
        roomy = runs(free, useful_cells)
        begin, end = frame.timeline.outer(role)
        before = frame.columns + begin
        after = frame.columns + end + useful_cells
        sides = _side(free[:, before + useful_cells - 1], roomy[:, before])
        sides += _side(free[:, after], roomy[:, after])
        found[role] = sides.astype(np.float32) / np.float32(SIDES * SNUG)
    return found


def _side(touching_free: BoolArray, roomy: BoolArray) -> npt.NDArray[np.uint8]:
    return np.where(touching_free, roomy.view(np.uint8) * np.uint8(ROOMY), np.uint8(SNUG))


def _operator_values(
    frame: ClinicFrame, tidy: dict[TreatmentRole, Floats], weights: Weights
) -> Floats:
    share = np.float32(weights.of[ScoreName.FRAGMENTATION] / len(GAPS_COUNTED))
    familiar = frame.request.familiar_operator_ids
    bonus = [
        weights.of[ScoreName.CONTINUITY] * (operator.id in familiar)
        for operator in frame.clinic.operators
    ]
    return tidy[TreatmentRole.OPERATOR] * share + np.array(bonus, dtype=np.float32)[:, None]


class _BestRoom:
    """The best value among the rooms that an option may use, per column."""

    def __init__(self, frame: ClinicFrame, values: Floats) -> None:
        self._frame = frame
        self._values = np.where(frame.able[TreatmentRole.ROOM], values, -np.inf)
        self._known: dict[tuple[int, ...], Floats] = {}

    def at(self, option: DeviceOption) -> Floats:
        rooms = self._frame.rooms_for(option)
        if rooms not in self._known:
            self._known[rooms] = self._values[list(rooms)].max(axis=0, initial=-np.inf)
        return self._known[rooms]


class _BestCrew:
    """The best value among the operators fit for an option, per column."""

    def __init__(self, frame: ClinicFrame, values: Floats) -> None:
        self._frame = frame
        self._values = values
        self._known: dict[int, Floats] = {}

    def at(self, option: DeviceOption) -> Floats:
        crew = self._frame.crew_for(option)
        if id(crew) not in self._known:
            values = np.where(crew.able, self._values[list(crew.members)], -np.inf)
            self._known[id(crew)] = values.max(axis=0, initial=-np.inf)
        return self._known[id(crew)]
