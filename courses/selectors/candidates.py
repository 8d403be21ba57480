"""The diary of some clinics as the slot search wants it: rows of free time over a grid."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from clinics.querysets import HasChain
from clinics.selectors import busy_spans_for
from core.spans import Span
from courses.selectors.roster import ClinicRoster, rosters_for
from courses.slots import (
    ClinicCandidates,
    Grid,
    HandpieceCandidate,
    LaserCandidate,
    OperatorCandidate,
    RoomCandidate,
)

Busy = Mapping[int, Sequence[Span]]


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
    """The candidates at these clinics (id -> the patient's preference, 0..1). Four queries.

    Clinics of other chains and those not in use are left out.
    """
    span = Span(grid.start, grid.end)
    rosters = rosters_for(preferences, span=span, actor=actor)
    resources = set().union(*(roster.resource_ids() for roster in rosters))
    resources.update(pk for pk in patient_resource_ids if pk is not None)
    busy = busy_spans_for(resources, span, now=now)
    return Diary(
        clinics=tuple(
            candidates(roster, grid=grid, busy=busy, preference=preferences[roster.id])
            for roster in rosters
        ),
        busy=busy,
    )


def candidates(
    roster: ClinicRoster, *, grid: Grid, busy: Busy, preference: float = 1.0
) -> ClinicCandidates:
    """One clinic's roster as candidates: free of `busy`, and for people on shift."""
    return ClinicCandidates(
        id=roster.id,
        zone=roster.zone,
        open=grid.row(roster.open),
        rooms=tuple(
            RoomCandidate(
                id=room.id,
                free=grid.always(busy=_of(busy, room.resource_id)),
                laser_controlled=room.laser_controlled,
                cleared_wavelengths_nm=room.cleared_wavelengths_nm,
            )
            for room in roster.rooms
        ),
        operators=tuple(
            OperatorCandidate(
                id=person.id,
                free=grid.row(person.on_shift, busy=_of(busy, person.resource_id)),
                credentials=person.credentials,
            )
            for person in roster.operators
        ),
        lasers=tuple(
            LaserCandidate(
                id=laser.id,
                free=grid.always(busy=_of(busy, laser.resource_id)),
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
                free=grid.always(busy=_of(busy, tip.resource_id)),
                wavelengths_nm=tip.wavelengths_nm,
                fitted=tip.fitted,
            )
            for tip in roster.handpieces
        ),
        preference=preference,
    )


def _of(busy: Busy, resource_id: int) -> Iterable[Span]:
    return busy.get(resource_id, ())
