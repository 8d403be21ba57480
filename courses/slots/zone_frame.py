"""What is the same for all clinics of one time zone: local days, and when the patient can."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from clinics.hours import WeeklyRule, local_date, local_day_start, weekly_spans
from courses.slots.grid import GRAIN, GRAIN_MINUTES, BoolArray, Grid
from courses.slots.request import ALL_WEEKDAYS, SearchPolicy, SlotRequest
from courses.slots.windows import CellTimeline, starts
from courses.vocabulary import TreatmentRole

ONE_DAY = timedelta(days=1)
Relaxed = frozenset["Condition"]


class Condition(StrEnum):
    """What a slot must satisfy; each can be lifted in thought, to see whether it bound."""

    WINDOW = "window"
    CLINIC_OPEN = "clinic_open"
    WISHES = "wishes"
    PATIENT_FREE = "patient_free"
    LOCK_OUT = "lock_out"
    FITTING = "fitting"
    CLEARANCE = "clearance"
    CREDENTIAL = "credential"
    CHOSEN_OPERATOR = "chosen_operator"
    ROOM_FREE = "room_free"
    OPERATOR_FREE = "operator_free"
    LASER_FREE = "laser_free"
    HANDPIECE_FREE = "handpiece_free"
    CHANGEOVER = "changeover"


NOTHING_RELAXED: Relaxed = frozenset()


@dataclass(frozen=True, slots=True, eq=False)
class LocalDays:
    """The local dates of a grid. `bounds[i]` is the first cell of date `first + i`."""

    zone: ZoneInfo
    first: date
    last: date
    bounds: tuple[int, ...]

    def first_cell_of(self, day: date) -> int:
        """The first cell of a date: 0 before the grid, its length after it."""
        return self.bounds[min(max((day - self.first).days, 0), len(self.bounds) - 1)]

    def ordinals(self) -> npt.NDArray[np.int32]:
        """The proleptic ordinal of the local date of each cell, shape (cells,)."""
        days = np.arange(len(self.bounds) - 1, dtype=np.int32) + self.first.toordinal()
        return np.repeat(days, np.diff(self.bounds))


@lru_cache(maxsize=256)
def local_days(grid: Grid, zone: ZoneInfo) -> LocalDays:
    """The dates that a calendar in `zone` shows between start and end of the grid."""
    first = local_date(grid.start, zone)
    last = local_date(grid.end - GRAIN, zone)
    bounds = [0]
    day = first
    while day < last:
        day += ONE_DAY
        bounds.append(grid.first_cell_from(local_day_start(day, zone)))
    return LocalDays(zone, first, last, (*bounds, grid.cells))


@dataclass(frozen=True, slots=True, eq=False)
class ZoneFrame:
    """`starts`: where a visit may begin as far as patient, window and step go; shape (cells,)."""

    days: LocalDays
    day_of_cell: npt.NDArray[np.int32]
    starts: BoolArray


def zone_frame(
    request: SlotRequest,
    *,
    grid: Grid,
    zone: ZoneInfo,
    policy: SearchPolicy,
    relaxed: Relaxed = NOTHING_RELAXED,
) -> ZoneFrame:
    """Everything about the request that depends on the zone but not on the clinic."""
    days = local_days(grid, zone)
    patient = np.ones(grid.cells, dtype=np.bool_)
    if request.wishes and Condition.WISHES not in relaxed:
        patient &= _wished(request, grid=grid, days=days)
    if Condition.PATIENT_FREE not in relaxed:
        for span in request.patient_busy:
            patient[grid.cell_of(span.start) : grid.first_cell_from(span.end)] = False
    allowed = starts(patient, CellTimeline.of(request.timeline).parts[TreatmentRole.PATIENT])
    if Condition.WINDOW not in relaxed:
        allowed[: grid.first_cell_from(request.earliest_at)] = False
        if request.window_closes_on is not None:
            allowed[: days.first_cell_of(request.window_closes_on)] = False
    if request.latest_at is not None:
        last = request.latest_at - timedelta(minutes=request.timeline.minutes)
        allowed[(last - grid.start) // GRAIN + 1 if last >= grid.start else 0 :] = False
    if policy.start_step_minutes > GRAIN_MINUTES:
        allowed &= _on_step(policy.start_step_minutes, grid=grid, days=days)
    return ZoneFrame(days, days.ordinals(), allowed)


def _wished(request: SlotRequest, *, grid: Grid, days: LocalDays) -> BoolArray:
    rules = [
        WeeklyRule(weekday, wish.since, wish.until)
        for wish in request.wishes
        for weekday in sorted(wish.weekdays or ALL_WEEKDAYS)
    ]
    until = days.last + ONE_DAY
    return grid.mask(weekly_spans(rules, zone=days.zone, from_date=days.first, to_date=until))


def _on_step(step_minutes: int, *, grid: Grid, days: LocalDays) -> BoolArray:
    """Cells whose local minute of the hour is a multiple of the step.

    The offset is looked up once a day, and cell by cell on days on which it changes.
    """
    minutes = np.arange(grid.cells) * GRAIN_MINUTES + int(grid.start.timestamp()) // 60
    for begin, end in pairwise(days.bounds):
        if begin == end:
            continue
        first, last = (_offset_minutes(grid, cell, days.zone) for cell in (begin, end - 1))
        if first == last:
            minutes[begin:end] += first
        else:
            minutes[begin:end] += _offsets(grid, range(begin, end), days.zone)
    return np.asarray(minutes % step_minutes == 0)


def _offset_minutes(grid: Grid, cell: int, zone: ZoneInfo) -> int:
    offset = grid.instant(cell).astimezone(zone).utcoffset() or timedelta(0)
    return offset // timedelta(minutes=1)


def _offsets(grid: Grid, cells: Iterable[int], zone: ZoneInfo) -> npt.NDArray[np.int64]:
    return np.array([_offset_minutes(grid, cell, zone) for cell in cells], dtype=np.int64)
