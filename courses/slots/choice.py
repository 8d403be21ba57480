"""Which of the ranked starts to offer: the best ones, spread over days, or the earliest."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from courses.slots.grid import GRAIN_MINUTES
from courses.slots.ranking import IMPOSSIBLE, RankedClinic
from courses.slots.request import SearchPolicy


@dataclass(slots=True, eq=False)
class _Starts:
    """All starts of all clinics side by side, in order of time, then of the clinic's key."""

    clinic: npt.NDArray[np.intp]
    column: npt.NDArray[np.intp]
    cell: npt.NDArray[np.intp]
    day: npt.NDArray[np.int32]
    score: npt.NDArray[np.float32]

    @classmethod
    def of(cls, clinics: Sequence[RankedClinic]) -> "_Starts":
        sizes = [len(one.scores) for one in clinics]
        clinic = np.repeat(np.arange(len(clinics)), sizes)
        cell = np.concatenate([one.frame.columns for one in clinics])
        keys = np.array([one.frame.clinic.id for one in clinics])[clinic]
        order = np.lexsort((keys, cell)) if len(clinics) > 1 else np.arange(len(cell))
        day = np.concatenate([one.frame.zone.day_of_cell[one.frame.columns] for one in clinics])
        column = np.concatenate([np.arange(size) for size in sizes])
        score = np.concatenate([one.scores for one in clinics])
        return cls(clinic[order], column[order], cell[order], day[order], score[order])

    def drop_near(self, at: int, *, cells: int) -> None:
        """Make starts at the same clinic and close in time impossible."""
        low = np.searchsorted(self.cell, self.cell[at] - cells, side="right")
        high = np.searchsorted(self.cell, self.cell[at] + cells, side="left")
        near = self.score[low:high]
        near[self.clinic[low:high] == self.clinic[at]] = IMPOSSIBLE


def choose(
    clinics: Sequence[RankedClinic], *, limit: int, policy: SearchPolicy
) -> list[tuple[int, int]]:
    """Positions (clinic, column) of the starts to offer, best first; at most `limit`.

    At most `slots_per_day` a local day; only when all days together give fewer than `limit`, more
    of a day. Always `min_apart_minutes` apart at one clinic. Ties go to the earlier start, then
    to the clinic with the lower key, whatever the order in which they were read.
    """
    if not clinics:
        return []
    all_starts = _Starts.of(clinics)
    apart = max(1, policy.min_apart_minutes // GRAIN_MINUTES)
    picks = list(_spread(all_starts, limit=limit, apart=apart, per_day=policy.slots_per_day))
    if len(picks) < limit:
        rest = limit - len(picks)
        picks += _spread(all_starts, limit=rest, apart=apart, per_day=limit)
    picks.sort(key=lambda pick: (-pick[0], pick[1]))
    return [(int(all_starts.clinic[at]), int(all_starts.column[at])) for _, at in picks]


def earliest(
    clinics: Sequence[RankedClinic], *, limit: int, policy: SearchPolicy
) -> list[tuple[int, int]]:
    """Positions (clinic, column) of the first starts anywhere; at most `limit`.

    `min_apart_minutes` apart at one clinic. Of starts at the same instant the best comes first,
    then the clinic with the lower key.
    """
    if not clinics:
        return []
    all_starts = _Starts.of(clinics)
    apart = max(1, policy.min_apart_minutes // GRAIN_MINUTES)
    picks: list[int] = []
    while len(picks) < limit:
        possible = np.flatnonzero(all_starts.score >= 0)
        if not len(possible):
            break
        at_once = possible[all_starts.cell[possible] == all_starts.cell[possible[0]]]
        at = int(at_once[all_starts.score[at_once].argmax()])
        picks.append(at)
        all_starts.drop_near(at, cells=apart)
    return [(int(all_starts.clinic[at]), int(all_starts.column[at])) for at in picks]


def _spread(
    all_starts: _Starts, *, limit: int, apart: int, per_day: int
) -> Iterator[tuple[float, int]]:
    """(score, position) of the best starts in turn; picks are taken out of `all_starts`."""
    held_back = np.zeros(len(all_starts.score), dtype=np.bool_)
    taken: dict[int, int] = {}
    for _ in range(limit):
        live = np.where(held_back, IMPOSSIBLE, all_starts.score)
        at = int(live.argmax()) if len(live) else -1
        if at < 0 or live[at] < 0:
            return
        yield float(live[at]), at
        all_starts.drop_near(at, cells=apart)
        day = int(all_starts.day[at])
        taken[day] = taken.get(day, 0) + 1
        if taken[day] >= per_day:
            held_back |= all_starts.day == day
