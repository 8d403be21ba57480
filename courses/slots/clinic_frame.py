"""One clinic's rooms, people and devices as rows over the starts that are still possible.

Windows distribute over AND, so free time, opening hours and fitness are windowed once each and
combined afterwards, and only at starts that the patient, the clinic and at least one room,
operator and laser allow.
"""

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import numpy.typing as npt

from core.spans import Span, merge
from courses.slots.candidates import (
    ClinicCandidates,
    HandpieceCandidate,
    LaserCandidate,
    OperatorCandidate,
)
from courses.slots.grid import BoolArray, Grid
from courses.slots.options import DeviceOption, device_options
from courses.slots.request import SlotRequest
from courses.slots.windows import CellTimeline, starts
from courses.slots.zone_frame import NOTHING_RELAXED, Condition, Relaxed, ZoneFrame
from courses.vocabulary import TreatmentRole

Columns = npt.NDArray[np.intp]
KEPT_BUSY = (
    TreatmentRole.ROOM,
    TreatmentRole.OPERATOR,
    TreatmentRole.LASER,
    TreatmentRole.HANDPIECE,
)
FREE_CONDITION = {
    TreatmentRole.ROOM: Condition.ROOM_FREE,
    TreatmentRole.OPERATOR: Condition.OPERATOR_FREE,
    TreatmentRole.LASER: Condition.LASER_FREE,
    TreatmentRole.HANDPIECE: Condition.HANDPIECE_FREE,
}


@dataclass(frozen=True, slots=True, eq=False)
class Crew:
    """Operators (positions) fit for a device option, and where each could start: (k, columns)."""

    members: tuple[int, ...]
    able: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class ClinicFrame:
    """`free[role]`: rows of cells in which each is free, fit and open; shape (members, cells).

    `able[role]`: whether each could start at each of `columns` (cell numbers), by free time
    alone; shape (members, columns).
    """

    request: SlotRequest
    clinic: ClinicCandidates
    grid: Grid
    zone: ZoneFrame
    timeline: CellTimeline
    relaxed: Relaxed
    options: list[DeviceOption]
    free: dict[TreatmentRole, BoolArray]
    columns: Columns
    able: dict[TreatmentRole, BoolArray]
    _crews: dict[tuple[int, frozenset[int]], Crew] = field(default_factory=dict)
    _fitted: dict[tuple[int, int], BoolArray | None] = field(default_factory=dict)

    def rooms_for(self, option: DeviceOption) -> tuple[int, ...]:
        """Positions of rooms in which the option may be used."""
        laser = self.clinic.lasers[option.laser]
        return tuple(
            index
            for index, room in enumerate(self.clinic.rooms)
            if laser.room_id in (None, room.id)
            and (
                Condition.CLEARANCE in self.relaxed
                or (
                    room.laser_controlled
                    and option.plan.wavelengths_nm <= room.cleared_wavelengths_nm
                )
            )
        )

    def crew_for(self, option: DeviceOption) -> Crew:
        """Operators with credentials for the option's laser and wavelengths on those days."""
        key = (self.clinic.lasers[option.laser].model_id, option.plan.wavelengths_nm)
        if key not in self._crews:
            self._crews[key] = self._crew(*key)
        return self._crews[key]

    def devices_able(self, option: DeviceOption) -> BoolArray:
        """Where the laser and its handpieces are free and fitted together; shape (columns,)."""
        able: BoolArray = self.able[TreatmentRole.LASER][option.laser]
        for index in option.handpieces:
            able = able & self.able[TreatmentRole.HANDPIECE][index]
            key = (index, self.clinic.lasers[option.laser].id)
            if key not in self._fitted:
                self._fitted[key] = self._fitted_at(*key)
            fitted = self._fitted[key]
            if fitted is not None:
                able = able & fitted
        return able

    def feasible(self) -> BoolArray:
        """Columns at which some option with some room and some operator could start."""
        found = np.zeros(len(self.columns), dtype=np.bool_)
        for option in self.options:
            rooms = self.able[TreatmentRole.ROOM][list(self.rooms_for(option))]
            able = rooms.any(axis=0) & self.crew_for(option).able.any(axis=0)
            found |= able & self.devices_able(option)
        return found

    def _crew(self, model_id: int, wavelengths_nm: frozenset[int]) -> Crew:
        members, able = [], []
        for index, operator in enumerate(self.clinic.operators):
            fit = self._credential_mask(operator, model_id, wavelengths_nm)
            row = self.able[TreatmentRole.OPERATOR][index]
            if fit is not None:
                if not fit.any():
                    continue
                row = row & self._at_columns(fit, TreatmentRole.OPERATOR)
            members.append(index)
            able.append(row)
        shape = (len(members), len(self.columns))
        return Crew(tuple(members), np.array(able, dtype=np.bool_).reshape(shape))

    def _credential_mask(
        self, operator: OperatorCandidate, model_id: int, wavelengths_nm: frozenset[int]
    ) -> BoolArray | None:
        """Cells on whose local day credentials cover all wavelengths; None: all of them."""
        chosen = self.request.operator_ids
        wanted = chosen is None or operator.id in chosen
        if not wanted and Condition.CHOSEN_OPERATOR not in self.relaxed:
            return np.zeros(self.grid.cells, dtype=np.bool_)
        if Condition.CREDENTIAL in self.relaxed:
            return None
        days, mask = self.zone.days, None
        for nm in wavelengths_nm:
            covering = [
                credential
                for credential in operator.credentials
                if credential.covers(laser_model_id=model_id, wavelength_nm=nm)
            ]
            if any(
                credential.valid_from <= days.first
                and (credential.valid_until is None or days.last < credential.valid_until)
                for credential in covering
            ):
                continue
            one = np.zeros(self.grid.cells, dtype=np.bool_)
            for credential in covering:
                until = credential.valid_until
                end = self.grid.cells if until is None else days.first_cell_of(until)
                one[days.first_cell_of(credential.valid_from) : end] = True
            mask = one if mask is None else mask & one
        return mask

    def _fitted_at(self, handpiece: int, laser_id: int) -> BoolArray | None:
        """Columns at which the handpiece is fitted for long enough; None: all of them."""
        if Condition.FITTING in self.relaxed:
            return None
        spans = fitted_spans(self.clinic.handpieces[handpiece], laser_id, self.grid)
        if spans == [Span(self.grid.start, self.grid.end)]:
            return None
        return self._at_columns(self.grid.mask(spans), TreatmentRole.HANDPIECE)

    def _at_columns(self, cells: BoolArray, role: TreatmentRole) -> BoolArray:
        return np.asarray(starts(cells, self.timeline.parts[role])[self.columns])


def clinic_frame(
    request: SlotRequest,
    *,
    clinic: ClinicCandidates,
    grid: Grid,
    zone: ZoneFrame,
    relaxed: Relaxed = NOTHING_RELAXED,
) -> ClinicFrame:
    """Build the frame of one clinic. Raises ValueError for a row that does not fit the grid."""
    timeline = CellTimeline.of(request.timeline)
    options = device_options(
        request.needs,
        lasers=clinic.lasers,
        handpieces=clinic.handpieces,
        grid=grid,
        any_fitting=Condition.FITTING in relaxed,
    )
    opened, free = _free_rows(clinic, grid, relaxed)
    able = _windowed(free, timeline)
    possible = zone.starts & starts(opened, ((0, timeline.total),))
    for role in (TreatmentRole.ROOM, TreatmentRole.OPERATOR, TreatmentRole.LASER):
        possible &= able[role].any(axis=0)
    columns = np.flatnonzero(possible) if options else np.zeros(0, dtype=np.intp)
    return ClinicFrame(
        request=request,
        clinic=clinic,
        grid=grid,
        zone=zone,
        timeline=timeline,
        relaxed=relaxed,
        options=options,
        free=free,
        columns=columns,
        able={role: rows[:, columns] for role, rows in able.items()},
    )


def locked_spans(laser: LaserCandidate, grid: Grid) -> list[Span]:
    """When the laser is locked out within the grid, merged."""
    return merge(span for lock in laser.locked_out for span in _within(lock.start, lock.end, grid))


def fitted_spans(handpiece: HandpieceCandidate, laser_id: int, grid: Grid) -> list[Span]:
    """When the handpiece is fitted to the laser within the grid, merged."""
    return merge(
        span
        for fitting in handpiece.fitted
        if fitting.laser_id == laser_id
        for span in _within(fitting.start, fitting.end, grid)
    )


def _free_rows(
    clinic: ClinicCandidates, grid: Grid, relaxed: Relaxed
) -> tuple[BoolArray, dict[TreatmentRole, BoolArray]]:
    """The opening row, and per role the rows of free time within it (lasers: not locked out)."""
    members = (clinic.rooms, clinic.operators, clinic.lasers, clinic.handpieces)
    bits = grid.unpack([clinic.open, *(one.free for kind in members for one in kind)])
    opened, rest = bits[0], bits[1:]
    if Condition.CLINIC_OPEN in relaxed:
        opened[:] = True
    free, at = {}, 0
    for role, kind in zip(KEPT_BUSY, members, strict=True):
        rows = rest[at : at + len(kind)]
        if FREE_CONDITION[role] in relaxed:
            rows[:] = True
        free[role] = rows
        at += len(kind)
    if Condition.LOCK_OUT not in relaxed:
        for row, laser in zip(free[TreatmentRole.LASER], clinic.lasers, strict=True):
            for span in locked_spans(laser, grid):
                row[grid.cell_of(span.start) : grid.first_cell_from(span.end)] = False
    rest &= opened
    return opened, free


def _windowed(
    free: dict[TreatmentRole, BoolArray], timeline: CellTimeline
) -> dict[TreatmentRole, BoolArray]:
    return {role: starts(rows, timeline.parts[role]) for role, rows in free.items()}


def _within(start: datetime, end: datetime | None, grid: Grid) -> list[Span]:
    begin, until = max(start, grid.start), grid.end if end is None else min(end, grid.end)
    return [Span(begin, until)] if begin < until else []
