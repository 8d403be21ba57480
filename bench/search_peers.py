"""What slot search is measured beside: the floor, interval sets, and a table of slots.

All search for a whole visit of the same minutes with the same lasers, at the same clinics, over
the same reservations. `floor` fetches the occupancy rows and does nothing with them. `intervals`
fetches the reservations and finds every start with the interval library `portion`: no score, no
reasons; rooms, people, hours and lasers are given to it ready-made. `slot_table` has rows made
beforehand, one for each resource and quarter of an hour within its hours, with a flag; one
statement brings them together to ten starts on quarters, nearest to the advised day first. (Three
joins of the starts of rooms, people and lasers took hundreds of times as long.)
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import reduce

import portion
import psycopg

from core.spans import Span
from courses.selectors.roster import ClinicRoster
from courses.slots import Grid

QUARTER = timedelta(minutes=15)

OCCUPANCY = """
    SELECT resource_id, day, bits FROM clinics_occupancy
    WHERE resource_id = ANY (%s) AND day >= %s AND day < %s
"""
RESERVATIONS = """
    SELECT resource_id, lower(period), upper(period) FROM clinics_reservation
    WHERE resource_id = ANY (%s) AND period && tstzrange(%s, %s)
    AND (status <> 'busy-tentative' OR expires_at > %s)
"""
MAKE_SLOTS = """
    CREATE UNLOGGED TABLE bench_slot AS
    SELECT own.resource_id, own.kind, own.clinic_id, quarter AS starts_at, NOT EXISTS (
        SELECT FROM clinics_reservation AS busy
        WHERE busy.resource_id = own.resource_id
        AND busy.period && tstzrange(quarter, quarter + interval '15 min')
    ) AS free
    FROM unnest(%s::bigint[], %s::text[], %s::bigint[], %s::timestamptz[], %s::timestamptz[])
        AS own (resource_id, kind, clinic_id, since, until)
    CROSS JOIN generate_series(own.since, own.until - interval '15 min', interval '15 min')
        AS quarter
"""
INDEX_SLOTS = (
    "CREATE INDEX ON bench_slot (clinic_id, kind, resource_id, starts_at) INCLUDE (free)",
    "VACUUM (ANALYZE) bench_slot",
)
FIND_SLOTS = """
    WITH counted AS (
        SELECT clinic_id, kind, resource_id, starts_at,
            bool_and(free) OVER visit AS free, max(starts_at) OVER visit AS last
        FROM bench_slot
        WHERE clinic_id = ANY (%(clinics)s) AND starts_at >= %(start)s AND starts_at < %(end)s
        AND (kind <> 'laser' OR resource_id = ANY (%(lasers)s))
        WINDOW visit AS (
            PARTITION BY clinic_id, kind, resource_id ORDER BY starts_at
            ROWS BETWEEN CURRENT ROW AND %(more)s FOLLOWING
        )
    )
    SELECT starts_at, clinic_id,
        min(resource_id) FILTER (WHERE kind = 'room'),
        min(resource_id) FILTER (WHERE kind = 'person'),
        min(resource_id) FILTER (WHERE kind = 'laser')
    FROM counted WHERE free AND last = starts_at + %(length)s - interval '15 min'
    GROUP BY clinic_id, starts_at
    HAVING bool_or(kind = 'room') AND bool_or(kind = 'person') AND bool_or(kind = 'laser')
    ORDER BY abs(date_part('epoch', starts_at - %(advised)s)), starts_at LIMIT 10
"""


@dataclass(frozen=True, slots=True)
class Case:
    """One search: the rosters of the clinics, the lasers (resources) that serve, and when."""

    rosters: list[ClinicRoster]
    lasers: frozenset[int]
    grid: Grid
    earliest: datetime
    latest: datetime
    advised: date
    minutes: int
    now: datetime

    @property
    def resources(self) -> list[int]:
        return sorted(pk for roster in self.rosters for pk in roster.resource_ids())


def floor(connection: psycopg.Connection, case: Case) -> int:
    """The occupancy rows of the whole time that is searched."""
    days = (case.grid.start.date(), case.grid.end.date())
    return len(connection.execute(OCCUPANCY, (case.resources, *days)).fetchall())


def intervals(connection: psycopg.Connection, case: Case) -> dict[int, portion.Interval]:
    """Every start at each clinic, as closed intervals."""
    busy: dict[int, list[portion.Interval]] = {}
    span = (case.grid.start, case.grid.end)
    for pk, start, end in connection.execute(RESERVATIONS, (case.resources, *span, case.now)):
        busy.setdefault(pk, []).append(portion.closedopen(start, end))
    return {roster.id: _starts(roster, case, busy) for roster in case.rosters}


def _starts(roster: ClinicRoster, case: Case, busy: dict) -> portion.Interval:
    length = timedelta(minutes=case.minutes)
    opened = _set(roster.open)

    def able(resource: int, hours: portion.Interval) -> portion.Interval:
        free = hours - portion.Interval(*busy.get(resource, ()))
        return portion.Interval(
            *(
                portion.closed(atom.lower, atom.upper - length)
                for atom in free
                if atom.upper - atom.lower >= length
            )
        )

    def any_of(found: list[portion.Interval]) -> portion.Interval:
        return reduce(lambda left, right: left | right, found, portion.empty())

    rooms = any_of([able(room.resource_id, opened) for room in roster.rooms])
    people = any_of(
        [able(one.resource_id, opened & _set(one.on_shift)) for one in roster.operators]
    )
    tips = {fit.laser_id: tip for tip in roster.handpieces for fit in tip.fitted}
    lasers = any_of(
        [
            able(laser.resource_id, opened) & able(tips[laser.id].resource_id, opened)
            for laser in roster.lasers
            if laser.resource_id in case.lasers
        ]
    )
    when = portion.closed(case.earliest, case.latest - length)
    return rooms & people & lasers & when


def _set(spans: tuple[Span, ...]) -> portion.Interval:
    return portion.Interval(*(portion.closedopen(span.start, span.end) for span in spans))


def make_slot_table(connection: psycopg.Connection, rosters: list[ClinicRoster]) -> int:
    """Make the slots of these clinics over their rosters' span; how many there are."""
    own: list[tuple[int, str, int, datetime, datetime]] = []
    for roster in rosters:
        for span in roster.open:
            kinds = {"room": roster.rooms, "laser": roster.lasers}
            own += [
                (unit.resource_id, kind, roster.id, span.start, span.end)
                for kind, units in kinds.items()
                for unit in units
            ]
        own += [
            (one.resource_id, "person", roster.id, shift.start, shift.end)
            for one in roster.operators
            for shift in one.on_shift
        ]
    connection.execute("DROP TABLE IF EXISTS bench_slot")
    made = connection.execute(MAKE_SLOTS, [list(column) for column in zip(*own, strict=True)])
    for statement in INDEX_SLOTS:
        connection.execute(statement)
    return made.rowcount


def slot_table(connection: psycopg.Connection, case: Case) -> int:
    """Ten starts out of the table of slots."""
    found = connection.execute(
        FIND_SLOTS,
        {
            "clinics": [roster.id for roster in case.rosters],
            "lasers": sorted(case.lasers),
            "start": case.earliest,
            "end": case.latest,
            "more": case.minutes // 15 - 1,
            "length": timedelta(minutes=case.minutes),
            "advised": datetime.combine(case.advised, datetime.min.time(), tzinfo=case.now.tzinfo),
        },
    )
    return len(found.fetchall())
