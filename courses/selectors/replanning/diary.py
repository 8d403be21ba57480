"""The diary as a re-plan sees it: without what is displaced, and with what is broken."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from clinics.querysets import HasChain
from core.prepared import Prepared
from core.spans import Span
from courses.selectors.candidates import candidates
from courses.selectors.occupancy import free_time
from courses.selectors.replanning.outages import Broken
from courses.selectors.roster import ClinicRoster, RosterLaser, rosters_for
from courses.slots import ClinicCandidates, FreeRow, Grid, LockedOut
from courses.vocabulary import OutageKind

# What the displaced keep busy, and what else touches the same 5 minutes: those stay busy.
OWN_AND_BESIDE: Final = Prepared("""
    SELECT true, own.resource_id,
        date_part('epoch', lower(own.period)), date_part('epoch', upper(own.period))
    FROM clinics_reservation AS own WHERE own.source = ANY (%(sources)s::text[])
    UNION ALL
    SELECT DISTINCT false, beside.resource_id,
        date_part('epoch', lower(beside.period)), date_part('epoch', upper(beside.period))
    FROM clinics_reservation AS own
    JOIN clinics_reservation AS beside ON beside.resource_id = own.resource_id
    AND beside.period && tstzrange(
        lower(own.period) - interval '5 minutes', upper(own.period) + interval '5 minutes'
    )
    WHERE own.source = ANY (%(sources)s::text[])
    AND beside.source <> ALL (%(sources)s::text[])
    AND (beside.status <> 'busy-tentative' OR beside.expires_at > %(now)s::timestamptz)
""")


@dataclass(frozen=True, slots=True)
class ReplanDiary:
    """Candidates of clinics in use, by id; when patients are busy, by their resource."""

    clinics: Mapping[int, ClinicCandidates]
    busy: Mapping[int, Sequence[Span]]

    def busy_of(self, patient_resource_id: int) -> tuple[Span, ...]:
        """When a patient whom the diary was read for is busy with what stays."""
        return tuple(self.busy.get(patient_resource_id, ()))


@dataclass(frozen=True, slots=True)
class _Given:
    """Spans by resource: what is given up, and what stays busy beside it."""

    own: Mapping[int, Sequence[Span]]
    beside: Mapping[int, Sequence[Span]]


def replan_diary(
    clinic_ids: Collection[int],
    *,
    sources: Sequence[str],
    patient_resource_ids: Iterable[int],
    broken: Sequence[Broken],
    grid: Grid,
    now: datetime,
    actor: HasChain,
) -> ReplanDiary:
    """What these clinics offer when all that `sources` have reserved is given up. Three queries."""
    rosters = [
        _broken(roster, broken)
        for roster in rosters_for(clinic_ids, span=Span(grid.start, grid.end), actor=actor)
    ]
    found = free_time(
        set().union(*(roster.resource_ids() for roster in rosters)),
        patient_resource_ids=patient_resource_ids,
        grid=grid,
        now=now,
    )
    given = _given_up(sources, now=now)
    free = _freed(found.rows, given, broken=broken, grid=grid)
    return ReplanDiary(
        clinics={roster.id: candidates(roster, grid=grid, free=free) for roster in rosters},
        busy={
            pk: [span for span in spans if span not in set(given.own.get(pk, ()))]
            for pk, spans in found.busy.items()
        },
    )


def _broken(roster: ClinicRoster, broken: Sequence[Broken]) -> ClinicRoster:
    """The roster with closures and lock-outs that are not in the database, or not yet."""
    closed = [
        one.outage.span
        for one in broken
        if one.outage.kind is OutageKind.CLINIC and one.outage.subject_id == roster.id
    ]
    calendar = replace(roster.calendar, closures=(*roster.calendar.closures, *closed))
    lasers = tuple(_locked_out(laser, broken) for laser in roster.lasers)
    return replace(roster, calendar=calendar, lasers=lasers)


def _locked_out(laser: RosterLaser, broken: Sequence[Broken]) -> RosterLaser:
    spans = [
        LockedOut(one.outage.span.start, one.outage.span.end)
        for one in broken
        if one.outage.kind is OutageKind.LASER and one.outage.subject_id == laser.id
    ]
    return replace(laser, locked_out=(*laser.locked_out, *spans))


def _given_up(sources: Sequence[str], *, now: datetime) -> _Given:
    own: dict[int, list[Span]] = defaultdict(list)
    beside: dict[int, list[Span]] = defaultdict(list)
    for is_own, pk, start, end in OWN_AND_BESIDE.rows(sources=list(sources), now=now):
        span = Span(datetime.fromtimestamp(start, UTC), datetime.fromtimestamp(end, UTC))
        (own if is_own else beside)[pk].append(span)
    return _Given(own, beside)


def _freed(
    rows: Mapping[int, FreeRow], given: _Given, *, broken: Sequence[Broken], grid: Grid
) -> dict[int, FreeRow]:
    """The rows with what is given up free, and people, rooms and handpieces away while broken."""
    away: dict[int, list[Span]] = defaultdict(list)
    for one in broken:
        if one.outage.kind not in {OutageKind.CLINIC, OutageKind.LASER}:
            for pk in one.resource_ids:
                away[pk].append(one.outage.span)
    freed = dict(rows)
    for pk in (given.own.keys() | away.keys()) & rows.keys():
        cells = np.unpackbits(
            np.frombuffer(rows[pk], np.uint8), count=grid.cells, bitorder="little"
        )
        for span in given.own.get(pk, ()):
            cells[_cells(span, grid)] = 1
        for span in (*given.beside.get(pk, ()), *away.get(pk, ())):
            cells[_cells(span, grid)] = 0
        freed[pk] = np.packbits(cells, bitorder="little").tobytes()
    return freed


def _cells(span: Span, grid: Grid) -> slice:
    """The cells that a span touches."""
    return slice(grid.cell_of(span.start), grid.first_cell_from(span.end))
