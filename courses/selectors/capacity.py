"""Capacity of clinics, week by week: what could be booked against what is booked."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from clinics.access import Actor
from clinics.hours import local_day_start
from clinics.models import Clinic, Reservation
from clinics.vocabulary import ReservationReason, ResourceKind
from core.db import from_range
from core.spans import Span, intersect, subtract
from courses.capacity import Unit, WeekCapacity, week_capacity
from courses.selectors.roster import (
    ClinicRoster,
    RosterLaser,
    RosterOperator,
    RosterUnit,
    rosters_for,
)

KINDS = (ResourceKind.ROOM, ResourceKind.STAFF, ResourceKind.LASER, ResourceKind.HANDPIECE)
VISITS = frozenset({ReservationReason.APPOINTMENT, ReservationReason.HOLD})
WEEK = timedelta(days=7)
LONGEST_DAY_AHEAD = timedelta(days=2)


@dataclass(frozen=True, slots=True)
class ClinicWeek:
    """One clinic in one week, which begins on a local Monday."""

    clinic_id: int
    clinic_name: str
    time_zone: str
    week_starts_on: date
    capacity: WeekCapacity


@dataclass(frozen=True, slots=True)
class Occupied:
    """Why resources are busy, by resource id: for visits, or away from them."""

    visits: dict[int, list[Span]]
    away: dict[int, list[Span]]


def capacity_for(
    *,
    from_date: date,
    weeks: int,
    clinic_ids: Iterable[int] | None,
    actor: Actor,
    now: datetime,
) -> list[ClinicWeek]:
    """The weeks from the Monday of `from_date`'s week on, for these clinics (None: all).

    Five queries for any number of clinics and weeks.
    """
    monday = from_date - timedelta(days=from_date.weekday())
    ids = _clinic_ids(clinic_ids, actor=actor)
    start = datetime.combine(monday, time(0), tzinfo=UTC)
    span = Span(start - LONGEST_DAY_AHEAD, start + weeks * WEEK + LONGEST_DAY_AHEAD)
    rosters = rosters_for(ids, span=span, actor=actor)
    occupied = _occupied(rosters, span=span, now=now)
    return [
        week
        for roster in rosters
        for week in _weeks(roster, monday=monday, weeks=weeks, span=span, occupied=occupied)
    ]


def _clinic_ids(wanted: Iterable[int] | None, *, actor: Actor) -> list[int]:
    clinics = Clinic.objects.visible_to(actor).filter(active=True)
    if wanted is not None:
        clinics = clinics.filter(pk__in=list(wanted))
    return list(clinics.values_list("pk", flat=True))


def _occupied(rosters: Iterable[ClinicRoster], *, span: Span, now: datetime) -> Occupied:
    resources = set().union(*(roster.resource_ids() for roster in rosters))
    occupied = Occupied(defaultdict(list), defaultdict(list))
    rows = (
        Reservation.objects.filter(resource_id__in=resources)
        .overlapping(span)
        .counting_at(now)
        .values_list("resource_id", "period", "reason")
    )
    for resource_id, period, reason in rows:
        side = occupied.visits if reason in VISITS else occupied.away
        side[resource_id].append(from_range(period))
    return occupied


def _weeks(
    roster: ClinicRoster, *, monday: date, weeks: int, span: Span, occupied: Occupied
) -> Iterator[ClinicWeek]:
    units = [*_units(roster, span=span, occupied=occupied)]
    lines = sorted({nm for laser in roster.lasers for nm in laser.wavelengths_nm})
    for number in range(weeks):
        starts_on = monday + number * WEEK
        week = Span(
            local_day_start(starts_on, roster.zone), local_day_start(starts_on + WEEK, roster.zone)
        )
        yield ClinicWeek(
            clinic_id=roster.id,
            clinic_name=roster.name,
            time_zone=str(roster.zone),
            week_starts_on=starts_on,
            capacity=week_capacity(units, kinds=KINDS, wavelengths_nm=lines, week=week),
        )


def _units(roster: ClinicRoster, *, span: Span, occupied: Occupied) -> Iterator[Unit]:
    serving = {
        laser.id: subtract(roster.open, _locked(laser, span=span)) for laser in roster.lasers
    }
    for room in roster.rooms:
        if room.laser_controlled:
            yield _unit(ResourceKind.ROOM, room, roster.open, occupied, room.cleared_wavelengths_nm)
    for person in roster.operators:
        working = intersect(roster.open, person.on_shift)
        trained = _trained(person, zone=roster.zone, span=span)
        lines = _lines_of(person, lasers=roster.lasers)
        yield _unit(
            ResourceKind.STAFF,
            person,
            intersect(working, trained),
            occupied,
            lines,
            # What a person does at another clinic is booked there.
            here=person.on_shift,
        )
    for laser in roster.lasers:
        could = serving[laser.id]
        yield _unit(ResourceKind.LASER, laser, could, occupied, laser.wavelengths_nm)
    for tip in roster.handpieces:
        fitted = [
            part
            for fit in tip.fitted
            for part in intersect(serving[fit.laser_id], _until(fit.start, fit.end, span=span))
        ]
        yield _unit(ResourceKind.HANDPIECE, tip, fitted, occupied, tip.wavelengths_nm)


def _unit(
    kind: ResourceKind,
    row: RosterUnit,
    could: Iterable[Span],
    occupied: Occupied,
    lines: frozenset[int],
    *,
    here: Sequence[Span] | None = None,
) -> Unit:
    visits = occupied.visits.get(row.resource_id, ())
    return Unit(
        kind=kind,
        id=row.id,
        bookable=tuple(subtract(could, occupied.away.get(row.resource_id, ()))),
        booked=tuple(visits if here is None else intersect(visits, here)),
        wavelengths_nm=lines,
    )


def _locked(laser: RosterLaser, *, span: Span) -> list[Span]:
    return [part for lock in laser.locked_out for part in _until(lock.start, lock.end, span=span)]


def _trained(person: RosterOperator, *, zone: ZoneInfo, span: Span) -> list[Span]:
    return [
        part
        for one in person.credentials
        for part in _until(
            local_day_start(one.valid_from, zone),
            local_day_start(one.valid_until, zone) if one.valid_until else None,
            span=span,
        )
    ]


def _lines_of(person: RosterOperator, *, lasers: Iterable[RosterLaser]) -> frozenset[int]:
    return frozenset(
        nm
        for laser in lasers
        for nm in laser.wavelengths_nm
        if any(
            one.covers(laser_model_id=laser.model_id, wavelength_nm=nm)
            for one in person.credentials
        )
    )


def _until(start: datetime, end: datetime | None, *, span: Span) -> list[Span]:
    """The part of a period, perhaps without an end, that lies in the span."""
    first, last = max(start, span.start), min(end or span.end, span.end)
    return [Span(first, last)] if first < last else []
