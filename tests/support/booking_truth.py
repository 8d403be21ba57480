"""What the database holds, beside what clients were told; asked by plain SQL, without the service.

Nothing here trusts the constraint, the triggers or the models of the service; what is kept of
answers is encrypted, and opened with its keys.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg

from core.api.idempotency import opened
from tests.support.crowd import Ledger

OVERLAPS = """
    SELECT count(*) FROM (
        SELECT lower(period) AS starts_at, max(upper(period)) OVER (
            PARTITION BY resource_id ORDER BY lower(period), id
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
        ) AS busy_until
        FROM clinics_reservation
    ) AS line WHERE starts_at < busy_until
"""
APPOINTMENTS = """
    SELECT own.id, own.version, own.status, own.starts_at, own.room_id, own.operator_id,
        own.laser_id, own.timeline, room.resource_id, staff.resource_id, laser.resource_id,
        patient.resource_id, (
            SELECT array_agg(tip.resource_id) FROM courses_appointment_handpieces AS held
            JOIN devices_handpiece AS tip ON tip.id = held.handpiece_id
            WHERE held.appointment_id = own.id
        )
    FROM courses_appointment AS own
    JOIN clinics_room AS room ON room.id = own.room_id
    JOIN clinics_staffmember AS staff ON staff.id = own.operator_id
    JOIN devices_laser AS laser ON laser.id = own.laser_id
    JOIN courses_course AS course ON course.id = own.course_id
    JOIN courses_patient AS patient ON patient.id = course.patient_id
"""
OCCUPANCY = """
    SELECT resource_id, day, bits FROM clinics_occupancy
    WHERE bits <> decode(repeat('00', 36), 'hex')
"""
FIRM = """
    SELECT busy.resource_id, lower(busy.period), upper(busy.period)
    FROM clinics_reservation AS busy JOIN clinics_resource AS own ON own.id = busy.resource_id
    WHERE busy.status <> 'busy-tentative' AND own.kind <> 'patient'
"""
CELL = timedelta(minutes=5)
OPEN = {"proposed", "booked"}

Stay = tuple[int, datetime, datetime]


@dataclass(frozen=True, slots=True)
class Findings:
    """How many things are not as they should be; all 0 when nothing was lost or doubled.

    `unkept`: keys answered with 2xx without their record or with another answer in it.
    `unasked`: records of keys that were never answered with 2xx. `missing` and `extra`:
    appointments that were answered with 201 and are not there, and the reverse. `differing`:
    appointments that are not as the last answer said. `unreserved` and `stray`: reservations that
    an open appointment should have and has not, and the reverse. `occupancy`: days of a resource.
    """

    overlaps: int
    unkept: int
    unasked: int
    missing: int
    extra: int
    differing: int
    unreserved: int
    stray: int
    occupancy: int

    def wrong(self) -> dict[str, int]:
        """Those that are not 0."""
        numbers = {one.name: getattr(self, one.name) for one in fields(self)}
        return {name: number for name, number in numbers.items() if number}


def judge(connection: psycopg.Connection, ledger: Ledger) -> Findings:
    """Compare all that the database holds with all that the clients were told."""
    done = {one.key: one for one in ledger.settled if one.done}
    records = {
        key: (status, opened(bytes(body)))
        for key, status, body in connection.execute(
            "SELECT key, status, body FROM core_idempotencyrecord"
        )
    }
    rows = {row[0]: row for row in connection.execute(APPOINTMENTS)}
    wanted = {stay for row in rows.values() if row[2] in OPEN for stay in _stays(row)}
    held = _held(connection)
    return Findings(
        overlaps=_number(connection, OVERLAPS),
        unkept=sum(records.get(key) != (one.status, one.body) for key, one in done.items()),
        unasked=len(records.keys() - done.keys()),
        missing=len(ledger.told.keys() - rows.keys()),
        extra=len(rows.keys() - ledger.told.keys()),
        differing=sum(not _as_told(rows[pk], ledger.told[pk]) for pk in rows & ledger.told.keys()),
        unreserved=len(wanted - held),
        stray=len(held - wanted),
        occupancy=len(_shown(connection).items() ^ _reckoned(connection).items()),
    )


def _number(connection: psycopg.Connection, sql: str) -> int:
    [(number,)] = connection.execute(sql).fetchall()
    return int(number)


def _held(connection: psycopg.Connection) -> set[tuple[str, Stay]]:
    """Every reservation, with its source; a second copy would have shown as an overlap."""
    rows = connection.execute("SELECT source, resource_id, period FROM clinics_reservation")
    return {(source, (resource, when.lower, when.upper)) for source, resource, when in rows}


def _stays(row: Any) -> Iterator[tuple[str, Stay]]:
    """What an appointment keeps busy: each role for as long as it is needed without a break."""
    pk, starts_at, timeline = row[0], row[3], row[7]
    room, operator, laser, patient, handpieces = row[8:13]
    resources = {
        "room": [room],
        "operator": [operator],
        "laser": [laser],
        "patient": [patient],
        "handpiece": handpieces,
    }
    for role, ids in resources.items():
        at, since = starts_at, None
        for segment in [*timeline, {"minutes": 0, "roles": []}]:
            if role in segment["roles"]:
                since = since or at
            elif since is not None:
                yield from ((f"appointment:{pk}", (one, since, at)) for one in ids)
                since = None
            at += timedelta(minutes=segment["minutes"])


def _as_told(row: Any, told: dict[str, Any]) -> bool:
    _, version, status, starts_at, room, operator, laser, *_ = row
    return (version, status, starts_at, room, operator, laser) == (
        told["version"],
        told["status"],
        datetime.fromisoformat(told["starts_at"]),
        told["room"],
        told["operator"],
        told["laser"],
    )


def _shown(connection: psycopg.Connection) -> dict[tuple[int, Any], bytes]:
    return {(resource, day): bytes(bits) for resource, day, bits in connection.execute(OCCUPANCY)}


def _reckoned(connection: psycopg.Connection) -> dict[tuple[int, Any], bytes]:
    """The occupancy as the reservations have it, one cell of 5 minutes after the other."""
    busy: dict[tuple[int, Any], bytearray] = defaultdict(lambda: bytearray(36))
    for resource, starts_at, ends_at in connection.execute(FIRM):
        at = starts_at.astimezone(UTC)
        while at < ends_at:
            cell = (at.hour * 60 + at.minute) // 5
            busy[resource, at.date()][cell // 8] |= 0x80 >> cell % 8
            at += CELL
    return {key: bytes(bits) for key, bits in busy.items()}
