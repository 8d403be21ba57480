"""One clinic's rooms, people and devices as rows over the starts that are still possible.

Windows distribute over AND, so free time, opening hours and fitness are windowed once each and
combined afterwards, and only at starts that the patient, the clinic and at least one room,
operator and laser allow.
"""

from dataclasses import dataclass, field
from datetime import datetime
from itertools import accumulate, pairwise

import numpy as np
import numpy.typing as npt

from core.spans import Span, merge
from courses.slots.candidates import (
    ClinicCandidates,
    HandpieceCandidate,
    LaserCandidate,
    OperatorCandidate,
)
from courses.slots.grid import GRAIN_MINUTES, BoolArray, Grid
from courses.slots.options import DeviceOption, device_options
from courses.slots.request import DEFAULT_POLICY, SearchPolicy, SlotRequest
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
# Whose gaps count in a score, and without whom nothing can start: the first rows of a frame.
GAPS_COUNTED = KEPT_BUSY[:3]
FREE_CONDITION = {
    TreatmentRole.ROOM: Condition.ROOM_FREE,
    TreatmentRole.OPERATOR: Condition.OPERATOR_FREE,
    TreatmentRole.LASER: Condition.LASER_FREE,
    TreatmentRole.HANDPIECE: Condition.HANDPIECE_FREE,
}
# A laser that is free all the time has nothing to change over from.
NO_CHANGEOVER = frozenset({Condition.CHANGEOVER, Condition.LASER_FREE})


@dataclass(frozen=True, slots=True, eq=False)
class Crew:
    """Operators (positions) fit for a device option, and where each could start: (k, columns)."""

    members: tuple[int, ...]
    able: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class ClinicFrame:
    """`rows`: cells in which each is free and the clinic open (a laser: and not locked out).

    One row per room, operator, laser and handpiece, in this order; `place[role]` is where a
    role's rows are. `able[role]`: whether each could start at each of `columns` (cell numbers),
    by its row alone and a laser by its lock-outs; shape (members, columns).
    """

    request: SlotRequest
    clinic: ClinicCandidates
    grid: Grid
    zone: ZoneFrame
    timeline: CellTimeline
    relaxed: Relaxed
    options: list[DeviceOption]
    rows: BoolArray
    place: dict[TreatmentRole, slice]
    columns: Columns
    able: dict[TreatmentRole, BoolArray]
    changeover_cells: int
    _crews: dict[tuple[int, frozenset[int]], Crew] = field(default_factory=dict)
    _steady: dict[tuple[int, ...], Crew] = field(default_factory=dict)
    _fitted: dict[tuple[int, int], BoolArray | None] = field(default_factory=dict)
    _changed: dict[tuple[int, tuple[int, ...]], BoolArray] = field(default_factory=dict)

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
        return able & self._changed_over(option) if self.changeover_cells else able

    def feasible(self) -> BoolArray:
        """Columns at which some option with some room and some operator could start."""
        found = np.zeros(len(self.columns), dtype=np.bool_)
        for option in self.options:
            rooms, crew = self.rooms_for(option), self.crew_for(option)
            if rooms and crew.members:
                able = self.able[TreatmentRole.ROOM][list(rooms)].any(axis=0)
                found |= able & crew.able.any(axis=0) & self.devices_able(option)
        return found

    def _crew(self, model_id: int, wavelengths_nm: frozenset[int]) -> Crew:
        fits: dict[int, BoolArray | None] = {}
        for index, operator in enumerate(self.clinic.operators):
            if not self._is_wanted(operator):
                continue
            fit = self._credential_mask(operator, model_id, wavelengths_nm)
            if fit is None or fit.any():
                fits[index] = fit
        members = tuple(fits)
        if members not in self._steady:
            rows = self.able[TreatmentRole.OPERATOR]
            self._steady[members] = Crew(members, rows[list(members)])
        steady = self._steady[members]
        if not any(fit is not None for fit in fits.values()):
            return steady
        able = steady.able.copy()
        for position, fit in enumerate(fits.values()):
            if fit is not None:
                able[position] &= self._at_columns(fit, TreatmentRole.OPERATOR)
        return Crew(members, able)

    def _is_wanted(self, operator: OperatorCandidate) -> bool:
        chosen = self.request.operator_ids
        return chosen is None or operator.id in chosen or Condition.CHOSEN_OPERATOR in self.relaxed

    def _credential_mask(
        self, operator: OperatorCandidate, model_id: int, wavelengths_nm: frozenset[int]
    ) -> BoolArray | None:
        """Cells on whose local day credentials cover all wavelengths; None: all of them."""
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

    def _changed_over(self, option: DeviceOption) -> BoolArray:
        """Columns at which the laser has time before and after to change its handpieces.

        A cell in which one of these handpieces is busy together with the laser needs no change;
        what lies beyond the grid needs none either.
        """
        key = (option.laser, option.handpieces)
        if key not in self._changed:
            tips = [self.clinic.handpieces[index].free for index in option.handpieces]
            laser, *rest = self.grid.unpack([self.clinic.lasers[option.laser].free, *tips])
            around = self.changeover_cells
            calm = np.ones(self.grid.cells + 2 * around, dtype=np.bool_)
            calm[around:-around] = laser | ~np.logical_and.reduce(rest)
            parts = tuple(
                (begin, end + 2 * around) for begin, end in self.timeline.parts[TreatmentRole.LASER]
            )
            self._changed[key] = starts(calm, parts)[self.columns]
        return self._changed[key]

    def _at_columns(self, cells: BoolArray, role: TreatmentRole) -> BoolArray:
        return np.asarray(starts(cells, self.timeline.parts[role])[self.columns])


def clinic_frame(
    request: SlotRequest,
    *,
    clinic: ClinicCandidates,
    grid: Grid,
    zone: ZoneFrame,
    policy: SearchPolicy = DEFAULT_POLICY,
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
    members = (clinic.rooms, clinic.operators, clinic.lasers, clinic.handpieces)
    place = _places([len(kind) for kind in members])
    if options and zone.starts.any():
        opened, rows = _free_rows(clinic, grid, place, relaxed)
        able = _windowed(rows, place, timeline)
        if Condition.LOCK_OUT not in relaxed:
            _keep_out(able[place[TreatmentRole.LASER]], clinic.lasers, grid, timeline)
        possible = zone.starts & starts(opened, ((0, timeline.total),))
        for role in GAPS_COUNTED:
            possible &= able[place[role]].any(axis=0)
        columns = np.flatnonzero(possible)
    else:
        rows = able = np.zeros((place[KEPT_BUSY[-1]].stop, 0), dtype=np.bool_)
        columns = np.zeros(0, dtype=np.intp)
    at_columns = np.take(able, columns, axis=1)
    return ClinicFrame(
        request=request,
        clinic=clinic,
        grid=grid,
        zone=zone,
        timeline=timeline,
        relaxed=relaxed,
        options=options,
        rows=rows,
        place=place,
        columns=columns,
        able={role: at_columns[place[role]] for role in KEPT_BUSY},
        changeover_cells=0
        if relaxed & NO_CHANGEOVER
        else -(-policy.changeover_minutes // GRAIN_MINUTES),
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


def _places(sizes: list[int]) -> dict[TreatmentRole, slice]:
    edges = [0, *accumulate(sizes)]
    return {role: slice(*edge) for role, edge in zip(KEPT_BUSY, pairwise(edges), strict=True)}


def _free_rows(
    clinic: ClinicCandidates, grid: Grid, place: dict[TreatmentRole, slice], relaxed: Relaxed
) -> tuple[BoolArray, BoolArray]:
    """The opening row, and the rows of everyone and everything (as in ClinicFrame)."""
    members = (clinic.rooms, clinic.operators, clinic.lasers, clinic.handpieces)
    bits = grid.unpack([clinic.open, *(one.free for kind in members for one in kind)])
    opened, rows = bits[0], bits[1:]
    if Condition.CLINIC_OPEN in relaxed:
        opened[:] = True
    for role, condition in FREE_CONDITION.items():
        if condition in relaxed:
            rows[place[role]] = True
    if Condition.LOCK_OUT not in relaxed:
        for row, laser in zip(rows[place[TreatmentRole.LASER]], clinic.lasers, strict=True):
            _lock(row, locked_spans(laser, grid), grid)
    rows &= opened
    return opened, rows


def _windowed(
    rows: BoolArray, place: dict[TreatmentRole, slice], timeline: CellTimeline
) -> BoolArray:
    """Where each could start, as far as its row goes; all rows at once where roles agree."""
    parts = [timeline.parts[role] for role in KEPT_BUSY]
    if len(set(parts)) == 1:
        return starts(rows, parts[0])
    return np.concatenate([starts(rows[place[role]], timeline.parts[role]) for role in KEPT_BUSY])


def _keep_out(
    able: BoolArray, lasers: tuple[LaserCandidate, ...], grid: Grid, timeline: CellTimeline
) -> None:
    """Let no visit begin whose laser is locked out at any time from its start to its last pass.

    Not only at passes: nobody is prepared for a laser that may not fire, and a session that
    starts during a lock-out is refused.
    """
    _, last = timeline.outer(TreatmentRole.LASER)
    for number, laser in enumerate(lasers):
        spans = locked_spans(laser, grid)
        if spans:
            usable = np.ones(grid.cells, dtype=np.bool_)
            _lock(usable, spans, grid)
            able[number] &= starts(usable, ((0, last),))


def _lock(row: BoolArray, spans: list[Span], grid: Grid) -> None:
    for span in spans:
        row[grid.cell_of(span.start) : grid.first_cell_from(span.end)] = False


def _within(start: datetime, end: datetime | None, grid: Grid) -> list[Span]:
    begin, until = max(start, grid.start), grid.end if end is None else min(end, grid.end)
    return [Span(begin, until)] if begin < until else []
