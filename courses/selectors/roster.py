"""Who and what each clinic has over a span: rooms, people on shift, lasers and handpieces.

One prepared statement for any number of clinics: rows that hang on a clinic, a laser or a person
come as JSON lists beside it. Slot search, booking and capacity start from here.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from clinics.hours import (
    ClinicCalendar,
    DateOverride,
    WeeklyRule,
    local_date,
    opening_spans,
    zone_named,
)
from clinics.hours.wall_time import ONE_DAY
from clinics.querysets import HasChain
from clinics.vocabulary import HolidayTreatment
from core.prepared import Prepared
from core.spans import Span, intersect
from courses.slots import FittedTo, LockedOut, OperatorCredential

Row = Sequence[Any]

# Instants come as seconds since 1970, which double precision holds to the microsecond.
PLACES = Prepared("""
    WITH duty AS MATERIALIZED (
        SELECT clinic_id, staff_member_id,
            array_agg(date_part('epoch', lower(period)) ORDER BY period) AS starts,
            array_agg(date_part('epoch', upper(period)) ORDER BY period) AS ends
        FROM clinics_shift_touching(
            %(clinics)s::bigint[], %(start)s::timestamptz, %(end)s::timestamptz
        )
        GROUP BY clinic_id, staff_member_id
    )
    SELECT clinic.id, clinic.name, clinic.time_zone, clinic.country, clinic.subdivision,
    (
        SELECT json_agg(
            json_build_array(weekday, opens, closes, lower(valid_during), upper(valid_during))
            ORDER BY weekday, opens
        )
        FROM clinics_openingrule WHERE clinic_id = clinic.id
    ),
    (
        SELECT json_agg(json_build_array(
            date_part('epoch', lower(period)), date_part('epoch', upper(period))
        ) ORDER BY period)
        FROM clinics_closure WHERE clinic_id = clinic.id
        AND period && tstzrange(%(start)s::timestamptz, %(end)s::timestamptz)
    ),
    (
        SELECT json_agg(json_build_array(date, treatment, opens, closes) ORDER BY date)
        FROM clinics_holidayoverride WHERE clinic_id = clinic.id
        AND date BETWEEN %(first)s::date AND %(last)s::date
    ),
    (
        SELECT json_agg(
            json_build_array(id, resource_id, laser_controlled, cleared_wavelengths_nm)
            ORDER BY id
        )
        FROM clinics_room WHERE clinic_id = clinic.id AND active
    ),
    (
        SELECT json_agg(
            json_build_array(person.id, person.resource_id, duty.starts, duty.ends, (
                SELECT json_agg(json_build_array(
                    lower(valid_during), upper(valid_during), wavelengths_nm, ARRAY(
                        SELECT laser_model_id FROM devices_laserauthorisation
                        WHERE credential_id = own.id
                    )
                ) ORDER BY valid_during, id)
                FROM clinics_credential AS own
                WHERE staff_member_id = person.id AND kind = 'laser_operation'
            )) ORDER BY person.id
        )
        FROM duty
        CROSS JOIN LATERAL (
            SELECT id, resource_id FROM clinics_staffmember
            -- The offset keeps this a look-up for each: joined, everybody of the chain is read.
            WHERE id = duty.staff_member_id AND active OFFSET 0
        ) AS person
        WHERE duty.clinic_id = clinic.id
    ),
    (
        SELECT json_agg(
            json_build_array(laser.id, resource_id, laser_model_id, room_id, ARRAY(
                SELECT wavelength_nm FROM devices_emissionline AS line
                WHERE laser_model_id = laser.laser_model_id AND NOT EXISTS (
                    SELECT FROM devices_lockout AS held
                    WHERE held.laser_id = laser.id AND held.line_id = line.id
                    AND upper_inf(held.period) AND lower(held.period) < %(end)s::timestamptz
                )
            ), (
                SELECT json_agg(json_build_array(
                    date_part('epoch', lower(period)), date_part('epoch', upper(period))
                ) ORDER BY period)
                FROM devices_lockout WHERE laser_id = laser.id AND line_id IS NULL
                AND period && tstzrange(%(start)s::timestamptz, %(end)s::timestamptz)
            ), (
                SELECT json_agg(json_build_array(
                    tip.id, tip.resource_id,
                    date_part('epoch', lower(period)), date_part('epoch', upper(period)), ARRAY(
                        SELECT wavelength_nm FROM devices_handpiece_lines AS passed
                        JOIN devices_emissionline AS line ON line.id = passed.emissionline_id
                        WHERE passed.handpiece_id = tip.id AND NOT EXISTS (
                            SELECT FROM devices_lockout AS held
                            WHERE held.laser_id = laser.id AND held.line_id = line.id
                            AND upper_inf(held.period)
                            AND lower(held.period) < %(end)s::timestamptz
                        )
                    )
                ) ORDER BY period DESC)
                FROM devices_fitting
                JOIN devices_handpiece AS tip ON tip.id = handpiece_id AND tip.status = 'active'
                WHERE laser_id = laser.id
                AND period && tstzrange(%(start)s::timestamptz, %(end)s::timestamptz)
            )) ORDER BY laser.id
        )
        FROM devices_laser AS laser WHERE clinic_id = clinic.id AND status = 'active'
    )
    FROM clinics_clinic AS clinic
    WHERE clinic.id = ANY (%(clinics)s::bigint[]) AND chain_id = %(chain)s::bigint AND active
    ORDER BY clinic.name
""")


@dataclass(frozen=True, slots=True)
class RosterRoom:
    """A room in use."""

    id: int
    resource_id: int
    laser_controlled: bool
    cleared_wavelengths_nm: frozenset[int]


@dataclass(frozen=True, slots=True)
class RosterOperator:
    """A member of staff with shifts at one clinic: n-th start and n-th end, seconds since 1970."""

    id: int
    resource_id: int
    shift_starts: Sequence[float]
    shift_ends: Sequence[float]
    credentials: tuple[OperatorCredential, ...]

    @property
    def on_shift(self) -> tuple[Span, ...]:
        """The shifts as spans."""
        return tuple(map(_span, zip(self.shift_starts, self.shift_ends, strict=True)))


@dataclass(frozen=True, slots=True)
class RosterHandpiece:
    """A handpiece and the lasers of this clinic it is fitted to during the span."""

    id: int
    resource_id: int
    wavelengths_nm: frozenset[int]
    fitted: tuple[FittedTo, ...]


@dataclass(frozen=True, slots=True)
class RosterLaser:
    """A laser in use, with the lines that are not locked out, and when all of it is."""

    id: int
    resource_id: int
    model_id: int
    room_id: int | None
    wavelengths_nm: frozenset[int]
    locked_out: tuple[LockedOut, ...]


RosterUnit = RosterRoom | RosterOperator | RosterLaser | RosterHandpiece


@dataclass(frozen=True, slots=True)
class ClinicRoster:
    """One clinic: when it is open, and everyone and everything that could serve there."""

    id: int
    name: str
    calendar: ClinicCalendar
    span: Span
    rooms: tuple[RosterRoom, ...]
    operators: tuple[RosterOperator, ...]
    lasers: tuple[RosterLaser, ...]
    handpieces: tuple[RosterHandpiece, ...]

    @property
    def zone(self) -> ZoneInfo:
        """The clinic's own clock."""
        return self.calendar.zone

    @property
    def open(self) -> tuple[Span, ...]:
        """When the clinic is open within the span, UTC."""
        return open_within(self.calendar, self.span)

    def units(self) -> Iterator[RosterUnit]:
        """Rooms, operators, lasers and handpieces, in this order."""
        yield from self.rooms
        yield from self.operators
        yield from self.lasers
        yield from self.handpieces

    def resource_ids(self) -> set[int]:
        """The resources of all of them."""
        return {unit.resource_id for unit in self.units()}


def rosters_for(clinic_ids: Iterable[int], *, span: Span, actor: HasChain) -> list[ClinicRoster]:
    """The rosters of those of these clinics that are the actor's and in use, by name.

    One query for any number of clinics.
    """
    rows = PLACES.rows(
        clinics=list(clinic_ids),
        chain=actor.chain_id,
        start=span.start,
        end=span.end,
        first=span.start.date() - ONE_DAY,
        last=span.end.date() + ONE_DAY,
    )
    return [_roster(row, span=span) for row in rows]


# Days pass slowly and calendars change rarely; what a calendar says is always the same.
@lru_cache(maxsize=2048)
def open_within(calendar: ClinicCalendar, span: Span) -> tuple[Span, ...]:
    """When a clinic is open within the span, UTC."""
    spans = opening_spans(
        calendar,
        from_date=local_date(span.start, calendar.zone),
        to_date=local_date(span.end, calendar.zone) + ONE_DAY,
    )
    return tuple(intersect(spans, [span]))


def _roster(row: Row, *, span: Span) -> ClinicRoster:
    pk, name, zone, country, subdivision, rules, closures, overrides, rooms, people, lasers = row
    return ClinicRoster(
        id=pk,
        name=name,
        calendar=ClinicCalendar(
            zone=zone_named(zone),
            weekly=tuple(_weekly(*rule) for rule in rules or ()),
            closures=tuple(map(_span, closures or ())),
            overrides=tuple(_override(*one) for one in overrides or ()),
            country=country,
            subdivision=subdivision,
        ),
        span=span,
        rooms=tuple(
            RosterRoom(own_id, resource, controlled, frozenset(cleared))
            for own_id, resource, controlled, cleared in rooms or ()
        ),
        operators=tuple(
            RosterOperator(own_id, resource, starts, ends, tuple(map(_credential, held or ())))
            for own_id, resource, starts, ends, held in people or ()
        ),
        lasers=tuple(_laser(laser) for laser in lasers or ()),
        handpieces=tuple(_handpieces(lasers or ())),
    )


def _laser(row: Row) -> RosterLaser:
    pk, resource, model, room, lines, locks, _ = row
    return RosterLaser(
        id=pk,
        resource_id=resource,
        model_id=model,
        room_id=room,
        wavelengths_nm=frozenset(lines),
        locked_out=tuple(LockedOut(_instant(start), _end(end)) for start, end in locks or ()),
    )


def _handpieces(lasers: Iterable[Row]) -> Iterator[RosterHandpiece]:
    fittings: dict[int, list[tuple[int, Row]]] = defaultdict(list)
    for laser_id, *_, fitted in lasers:
        for row in fitted or ():
            fittings[row[0]].append((laser_id, row))
    for handpiece_id, rows in sorted(fittings.items()):
        _, (_, resource, *_) = rows[0]
        yield RosterHandpiece(
            id=handpiece_id,
            resource_id=resource,
            # What is locked out on one laser it may pass on another; each laser has its own lines.
            wavelengths_nm=frozenset().union(*(lines for _, (*_, lines) in rows)),
            fitted=tuple(
                FittedTo(laser_id, _instant(start), _end(end))
                for laser_id, (_, _, start, end, _) in rows
            ),
        )


def _credential(row: Row) -> OperatorCredential:
    since, until, wavelengths, models = row
    return OperatorCredential(
        valid_from=date.fromisoformat(since),
        valid_until=_date(until),
        wavelengths_nm=frozenset(wavelengths),
        laser_model_ids=frozenset(models),
    )


@lru_cache(maxsize=4096)
def _weekly(
    weekday: int, opens: str, closes: str, since: str | None, until: str | None
) -> WeeklyRule:
    return WeeklyRule(
        weekday=weekday,
        opens=time.fromisoformat(opens),
        closes=time.fromisoformat(closes),
        valid_from=_date(since),
        valid_until=_date(until),
    )


def _override(day: str, treatment: str, opens: str | None, closes: str | None) -> DateOverride:
    return DateOverride(
        day=date.fromisoformat(day),
        treatment=HolidayTreatment(treatment),
        opens=time.fromisoformat(opens) if opens else None,
        closes=time.fromisoformat(closes) if closes else None,
    )


def _span(row: Iterable[float]) -> Span:
    return Span(*map(_instant, row))


def _instant(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def _end(seconds: float | None) -> datetime | None:
    return None if seconds is None else _instant(seconds)


def _date(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
