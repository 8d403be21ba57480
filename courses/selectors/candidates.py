"""The diary of some clinics as the slot search wants it: rows of free time over a grid."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache

import numpy as np

from clinics.hours import ClinicCalendar
from clinics.querysets import HasChain
from core.spans import Span
from courses.selectors.occupancy import duty_row, free_time, reserved
from courses.selectors.roster import ClinicRoster, open_within, rosters_for
from courses.selectors.visits import Place
from courses.slots import (
    ClinicCandidates,
    FreeRow,
    Grid,
    HandpieceCandidate,
    LaserCandidate,
    OperatorCandidate,
    RoomCandidate,
)

Busy = Mapping[int, Sequence[Span]]
Rows = Mapping[int, FreeRow]


@dataclass(frozen=True, slots=True)
class Diary:
    """What a search works on: the candidates of each clinic, and when patients are busy."""

    clinics: tuple[ClinicCandidates, ...]
    busy: Busy

    def busy_of(self, patient_resource_id: int | None) -> tuple[Span, ...]:
        """When a patient whom the diary was read for is busy."""
        return tuple(self.busy.get(patient_resource_id or 0, ()))


def diary_for(
    *,
    preferences: Mapping[int, float],
    patient_resource_ids: Iterable[int | None],
    grid: Grid,
    now: datetime,
    actor: HasChain,
) -> Diary:
    """The candidates at these clinics (id -> the patient's preference, 0..1). Two queries.

    Clinics of other chains and those not in use are left out. It is read from the occupancy, to
    find slots; what is booked is asked of the reservations.
    """
    rosters = rosters_for(preferences, span=Span(grid.start, grid.end), actor=actor)
    free = free_time(
        set().union(*(roster.resource_ids() for roster in rosters)),
        patient_resource_ids=patient_resource_ids,
        grid=grid,
        now=now,
    )
    return Diary(
        clinics=tuple(
            candidates(roster, grid=grid, free=free.rows, preference=preferences[roster.id])
            for roster in rosters
        ),
        busy=free.busy,
    )


def diary_of_place(
    place: Place, *, patient_resource_id: int, grid: Grid, now: datetime, actor: HasChain
) -> Diary:
    """One place alone, as candidates (none: the clinic is not in use). Two queries.

    It is asked of the reservations themselves: inside the booking's locks this is what counts.
    """
    rosters = [
        _only(roster, place)
        for roster in rosters_for([place.clinic_id], span=Span(grid.start, grid.end), actor=actor)
    ]
    resources = {pk for roster in rosters for pk in roster.resource_ids()}
    busy = reserved([*resources, patient_resource_id], grid=grid, now=now)
    free = {pk: grid.always(busy=busy[pk]) for pk in resources}
    return Diary(
        clinics=tuple(candidates(roster, grid=grid, free=free) for roster in rosters), busy=busy
    )


def _only(roster: ClinicRoster, place: Place) -> ClinicRoster:
    return replace(
        roster,
        rooms=tuple(room for room in roster.rooms if room.id == place.room_id),
        operators=tuple(one for one in roster.operators if one.id == place.operator_id),
        lasers=tuple(laser for laser in roster.lasers if laser.id == place.laser_id),
        handpieces=tuple(tip for tip in roster.handpieces if tip.id in place.handpiece_ids),
    )


def candidates(
    roster: ClinicRoster, *, grid: Grid, free: Rows, preference: float = 1.0
) -> ClinicCandidates:
    """One clinic's roster as candidates: rows of `free` by resource, and for people on shift."""
    return ClinicCandidates(
        id=roster.id,
        zone=roster.zone,
        open=_open_row(roster.calendar, grid),
        rooms=tuple(
            RoomCandidate(
                id=room.id,
                free=free[room.resource_id],
                laser_controlled=room.laser_controlled,
                cleared_wavelengths_nm=room.cleared_wavelengths_nm,
            )
            for room in roster.rooms
        ),
        operators=tuple(_operators(roster, grid=grid, free=free)),
        lasers=tuple(
            LaserCandidate(
                id=laser.id,
                free=free[laser.resource_id],
                model_id=laser.model_id,
                wavelengths_nm=laser.wavelengths_nm,
                room_id=laser.room_id,
                locked_out=laser.locked_out,
            )
            for laser in roster.lasers
        ),
        handpieces=tuple(
            HandpieceCandidate(
                id=tip.id,
                free=free[tip.resource_id],
                wavelengths_nm=tip.wavelengths_nm,
                fitted=tip.fitted,
            )
            for tip in roster.handpieces
        ),
        preference=preference,
    )


def _operators(roster: ClinicRoster, *, grid: Grid, free: Rows) -> Iterator[OperatorCandidate]:
    for person in roster.operators:
        on_duty = duty_row(tuple(person.shift_starts), tuple(person.shift_ends), grid)
        row = np.frombuffer(free[person.resource_id], np.uint8) & np.frombuffer(on_duty, np.uint8)
        yield OperatorCandidate(person.id, row.tobytes(), person.credentials)


# A calendar and a grid always give the same row, and a grid of whole days lasts for a day.
@lru_cache(maxsize=2048)
def _open_row(calendar: ClinicCalendar, grid: Grid) -> FreeRow:
    return grid.row(open_within(calendar, Span(grid.start, grid.end)))
