"""The diary of each clinic while the demonstration is made up: the slot search over free time.

Visits are placed by the same search that serves patients, so whatever is placed respects opening
hours, shifts, credentials, clearances, fittings and lock-outs, and nothing overlaps.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime

import numpy as np

from clinics.vocabulary import CredentialKind
from core.db import from_range
from core.spans import Span
from courses.demo.devices import Devices, LaserUnit, Tip
from courses.demo.moment import Moment
from courses.demo.organisation import Organisation, Person, Site
from courses.demo.plan_of_devices import MODELS
from courses.slots import (
    CELLS_PER_DAY,
    ClinicCandidates,
    FittedTo,
    Grid,
    HandpieceCandidate,
    InkNeed,
    LaserCandidate,
    LockedOut,
    OperatorCandidate,
    OperatorCredential,
    RoomCandidate,
    Slot,
    SlotRequest,
    Timeline,
    TimeWish,
    role_spans,
    search_slots,
)
from courses.vocabulary import TreatmentRole

ROLES = (
    TreatmentRole.ROOM,
    TreatmentRole.OPERATOR,
    TreatmentRole.LASER,
    TreatmentRole.HANDPIECE,
)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is looked for: a start from `earliest_at` up to `latest`, best close to `close_to`.

    `spare_first_laser`: rather on another laser than the clinic's first, where there is one.
    """

    timeline: Timeline
    needs: tuple[InkNeed, ...]
    earliest_at: datetime
    latest: datetime
    close_to: date
    wishes: tuple[TimeWish, ...] = ()
    familiar: frozenset[int] = frozenset()
    spare_first_laser: bool = False


@dataclass(frozen=True, slots=True)
class Visit:
    """A slot of a diary; its ids are positions in the diary's lists."""

    slot: Slot
    timeline: Timeline
    diary: "Diary"

    def members(self) -> dict[TreatmentRole, tuple[int, ...]]:
        """Positions of who and what it keeps busy, without the patient."""
        return {
            TreatmentRole.ROOM: (self.slot.room_id,),
            TreatmentRole.OPERATOR: (self.slot.operator_id,),
            TreatmentRole.LASER: (self.slot.laser_id,),
            TreatmentRole.HANDPIECE: self.slot.handpiece_ids,
        }


class Diary:
    """One clinic's rooms, people and devices, and when each is free (a row of cells each)."""

    def __init__(
        self, site: Site, *, organisation: Organisation, devices: Devices, moment: Moment
    ) -> None:
        self.site = site
        self.number = organisation.sites.index(site)
        self.rooms = site.rooms
        self.operators = [one for one in organisation.people if one.site is site and one.shifts]
        self.lasers = devices.at(site)
        self.tips = [tip for unit in self.lasers for tip in unit.tips]
        self._grid = moment.grid
        self._open = self._grid.mask(site.open)
        sizes = (len(self.rooms), len(self.operators), len(self.lasers), len(self.tips))
        self._first = {role: sum(sizes[:n]) for n, role in enumerate(ROLES)}
        self._free = np.ones((sum(sizes), self._grid.cells), dtype=np.bool_)
        self._unbooked = self._clinic()
        for position, person in enumerate(self.operators):
            working = self._grid.mask(from_range(shift.period) for shift in person.shifts)
            self._free[self._first[TreatmentRole.OPERATOR] + position] = working
            for span in person.leave:
                self.block(TreatmentRole.OPERATOR, position, span)

    def find(self, wanted: Wanted, *, limit: int = 5) -> list[Visit]:
        """The best slots, best first; none when nothing fits."""
        first = self._day_cell(wanted.earliest_at)
        last = min(self._day_cell(wanted.latest) + CELLS_PER_DAY, self._grid.cells)
        clinic = self._candidates(first, last)
        if wanted.spare_first_laser:
            others = replace(clinic, lasers=clinic.lasers[1:])
            found = self._search(wanted, clinic=others, first=first, last=last, limit=limit)
            if found:
                return found
        return self._search(wanted, clinic=clinic, first=first, last=last, limit=limit)

    def _search(
        self, wanted: Wanted, *, clinic: ClinicCandidates, first: int, last: int, limit: int
    ) -> list[Visit]:
        answer = search_slots(
            SlotRequest(
                timeline=wanted.timeline,
                needs=wanted.needs,
                earliest_at=wanted.earliest_at,
                advised_on=wanted.close_to,
                wishes=wanted.wishes,
                familiar_operator_ids=wanted.familiar,
                limit=limit,
            ),
            grid=Grid(self._grid.instant(first), last - first),
            clinics=[clinic],
        )
        return [
            Visit(slot, wanted.timeline, self)
            for slot in answer.slots
            if slot.start < wanted.latest
        ]

    def take(self, visit: Visit) -> None:
        """Keep everything busy that the visit needs."""
        spans = role_spans(visit.timeline, start=visit.slot.start)
        for role, positions in visit.members().items():
            for position in positions:
                for span in spans[role]:
                    self.block(role, position, span)

    def block(self, role: TreatmentRole, position: int, span: Span) -> None:
        """Somebody or something is not to be had."""
        row = self._free[self._first[role] + position]
        row[self._grid.cell_of(span.start) : self._grid.first_cell_from(span.end)] = False

    def _day_cell(self, instant: datetime) -> int:
        """The first cell of the UTC day, so that grids (and what is kept for them) repeat."""
        return self._grid.cell_of(instant) // CELLS_PER_DAY * CELLS_PER_DAY

    def _candidates(self, first: int, last: int) -> ClinicCandidates:
        packed = np.packbits(self._free[:, first:last], axis=1, bitorder="little")
        rows = iter([row.tobytes() for row in packed])
        clinic = self._unbooked
        return replace(
            clinic,
            open=np.packbits(self._open[first:last], bitorder="little").tobytes(),
            rooms=tuple(replace(one, free=next(rows)) for one in clinic.rooms),
            operators=tuple(replace(one, free=next(rows)) for one in clinic.operators),
            lasers=tuple(replace(one, free=next(rows)) for one in clinic.lasers),
            handpieces=tuple(replace(one, free=next(rows)) for one in clinic.handpieces),
        )

    def _clinic(self) -> ClinicCandidates:
        return ClinicCandidates(
            id=self.number,
            zone=self.site.zone,
            open=b"",
            rooms=tuple(
                RoomCandidate(
                    id=position,
                    free=b"",
                    laser_controlled=room.laser_controlled,
                    cleared_wavelengths_nm=frozenset(room.cleared_wavelengths_nm),
                )
                for position, room in enumerate(self.rooms)
            ),
            operators=tuple(
                OperatorCandidate(position, b"", tuple(credentials_of(person)))
                for position, person in enumerate(self.operators)
            ),
            lasers=tuple(self._laser(*numbered) for numbered in enumerate(self.lasers)),
            handpieces=tuple(
                HandpieceCandidate(
                    id=position,
                    free=b"",
                    wavelengths_nm=frozenset(tip.sketch.lines_nm),
                    fitted=(self._fitted(tip),),
                )
                for position, tip in enumerate(self.tips)
            ),
        )

    def _laser(self, position: int, unit: LaserUnit) -> LaserCandidate:
        rooms = {room.name: number for number, room in enumerate(self.rooms)}
        return LaserCandidate(
            id=position,
            free=b"",
            model_id=model_number(unit.sketch.model),
            wavelengths_nm=frozenset(unit.model.lines),
            room_id=rooms[unit.sketch.room] if unit.sketch.room else None,
            locked_out=tuple(
                LockedOut(lock.period.lower, lock.period.upper) for lock in unit.lock_outs
            ),
        )

    def _fitted(self, tip: Tip) -> FittedTo:
        laser = next(n for n, unit in enumerate(self.lasers) if tip in unit.tips)
        period = tip.fitting.period
        return FittedTo(laser, period.lower, period.upper)


def credentials_of(person: Person) -> Iterator[OperatorCredential]:
    """The laser credentials of a person, as the slot search takes them."""
    for row in person.credentials:
        if row.kind == CredentialKind.LASER_OPERATION:
            yield OperatorCredential(
                valid_from=row.valid_during.lower,
                valid_until=row.valid_during.upper,
                wavelengths_nm=frozenset(row.wavelengths_nm),
                laser_model_ids=frozenset(map(model_number, person.sketch.laser_models)),
            )


def model_number(name: str) -> int:
    """The number by which a laser model goes before it has a key."""
    return list(MODELS).index(name) + 1
