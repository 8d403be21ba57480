"""What a start at a clinic costs, in points: how far from the advised day and the old slot."""

from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from clinics.hours import local_date
from courses.replan.problem import Displaced, ReplanPolicy
from courses.slots import Grid
from courses.slots.search import advised_day
from courses.slots.zone_frame import LocalDays

Ints = npt.NDArray[np.int64]
HALF_HOUR = 30
DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True, eq=False)
class Deviation:
    """How far starts are from what was advised and from what was; each of shape (starts,).

    Days are signed: after is positive. `half_hours` is the shift of the local wall time, rounded
    down; a shift across midnight counts the short way round.
    """

    from_advised: Ints
    from_old: Ints
    half_hours: Ints

    @classmethod
    def of(cls, displaced: Displaced, cells: Ints, *, grid: Grid, days: LocalDays) -> "Deviation":
        """Of starts in `cells`, at a clinic whose local days are `days`."""
        first = np.asarray(days.bounds)
        number = np.searchsorted(first, cells, side="right") - 1
        today = number + days.first.toordinal()
        old = displaced.old.start.astimezone(days.zone)
        advised = advised_day(displaced.request, zone=days.zone, grid=grid)
        shift = np.abs(wall_minutes(grid, days.zone)[cells] - (old.hour * 60 + old.minute))
        return cls(
            from_advised=today - advised.toordinal(),
            from_old=today - local_date(displaced.old.start, days.zone).toordinal(),
            half_hours=np.minimum(shift, DAY_MINUTES - shift) // HALF_HOUR,
        )

    def at(self, positions: npt.NDArray[np.intp]) -> "Deviation":
        """Of some of the starts, in the order given."""
        return Deviation(
            self.from_advised[positions], self.from_old[positions], self.half_hours[positions]
        )

    def points(self, policy: ReplanPolicy) -> Ints:
        """Points of the day and the hour, shape (starts,)."""
        return np.asarray(
            policy.advised_day * np.abs(self.from_advised)
            + policy.old_day * np.abs(self.from_old)
            + policy.old_half_hour * self.half_hours
            + policy.long_wait_day * np.maximum(self.from_old - policy.wait_days, 0)
        )


@lru_cache(maxsize=64)
def wall_minutes(grid: Grid, zone: ZoneInfo) -> Ints:
    """Minutes after midnight on the wall clock at each cell of the grid, shape (cells,)."""
    local = (grid.instant(cell).astimezone(zone) for cell in range(grid.cells))
    minutes = np.array([clock.hour * 60 + clock.minute for clock in local], dtype=np.int64)
    minutes.flags.writeable = False
    return minutes
