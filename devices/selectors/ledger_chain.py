"""The chain of the ledger, checked: quickly by the database, independently row by row."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db import connection

from core.prepared import Prepared
from devices.hashchain import START, Break, Head, Link, first_break
from devices.models import LedgerHead, PulseEntry

# A digest costs far more than the planner takes for an operator: told so, it uses several
# processors. The sort of the links fits into memory. Both hold until the transaction ends.
DIGESTS_ARE_DEAR: Final = "SET LOCAL cpu_operator_cost = 0.25"
SORTED_IN_MEMORY: Final = "SET LOCAL cpu_operator_cost TO DEFAULT; SET LOCAL work_mem = '64MB'"

# The whole encoding stands here again: a function in the database could have been replaced.
CONTENTS: Final = """
    SELECT laser_id, count(*), max(sequence), min(sequence) FILTER (
        WHERE encoding <> 1 OR digest <> sha256(record_send(ROW(
            encoding, previous, id, laser_id, sequence, handpiece_id, line_id, pulses,
            convert_to(purpose, 'UTF8'), operator_id, fired_at, ended_at, spot_mm,
            fluence_j_cm2, rate_hz, energy_j, total_energy_j, area_cm2, average_power_w,
            corrects_id, convert_to(reason, 'UTF8'), convert_to(source, 'UTF8'),
            convert_to(entry_key, 'UTF8'), created_at
        )))
    )
    FROM devices_pulseentry JOIN unnest(%s::bigint[]) AS asked (laser_id) USING (laser_id)
    GROUP BY laser_id
"""

LINKS: Final = """
    SELECT laser_id, min(sequence) FROM (
        SELECT laser_id, sequence, previous, lag(digest, 1, decode(repeat('00', 32), 'hex')) OVER (
            PARTITION BY laser_id ORDER BY sequence
        ) AS before
        FROM devices_pulseentry JOIN unnest(%s::bigint[]) AS asked (laser_id) USING (laser_id)
    ) AS linked
    WHERE previous <> before GROUP BY laser_id
"""

OFF_NOTES: Final = Prepared("""
    SELECT head.laser_id, min(head.sequence)
    FROM devices_ledgerhead AS head
    LEFT JOIN devices_pulseentry AS entry USING (laser_id, sequence)
    WHERE head.laser_id = ANY(%(lasers)s::bigint[])
        AND entry.digest IS DISTINCT FROM head.digest
    GROUP BY head.laser_id
""")

HEADS: Final = Prepared("""
    SELECT laser_id, sequence, digest FROM devices_pulseentry
    JOIN unnest(%(lasers)s::bigint[], %(sequences)s::bigint[]) AS wanted (laser_id, sequence)
        USING (laser_id, sequence)
""")

UNNOTED: Final = Prepared("""
    SELECT laser.id, last.sequence, last.digest FROM devices_laser AS laser
    JOIN LATERAL (
        SELECT sequence, digest FROM devices_pulseentry
        WHERE laser_id = laser.id ORDER BY sequence DESC LIMIT 1
    ) AS last ON true
    WHERE laser.id = ANY(%(lasers)s::bigint[]) AND NOT EXISTS (
        SELECT FROM devices_ledgerhead AS head
        WHERE head.laser_id = laser.id AND head.sequence = last.sequence
    )
""")

COLUMNS: Final = (
    "encoding",
    "previous",
    "id",
    "laser_id",
    "sequence",
    "handpiece_id",
    "line_id",
    "pulses",
    "purpose",
    "operator_id",
    "fired_at",
    "ended_at",
    "spot_mm",
    "fluence_j_cm2",
    "rate_hz",
    "energy_j",
    "total_energy_j",
    "area_cm2",
    "average_power_w",
    "corrects_id",
    "reason",
    "source",
    "entry_key",
    "created_at",
    "digest",
)


@dataclass(frozen=True, slots=True)
class Verified:
    """The chain of one laser: how long it is, its last entry, and where it first breaks."""

    laser_id: int
    entries: int
    head: Head | None
    first_break: Break | None


def verify_chains(
    laser_ids: Sequence[int], *, noted: Mapping[int, Sequence[Head]] | None = None
) -> list[Verified]:
    """Check the chains of these lasers against themselves and every head that was noted of them.

    `noted` are heads kept elsewhere, by laser. The database reads all rows; only where a chain
    breaks are rows read and named here. Three queries, and three for each broken chain.
    """
    elsewhere = noted or {}
    counted, unlinked = _read_once(laser_ids)
    places: dict[int, list[int]] = {laser_id: [] for laser_id in laser_ids}
    for laser_id, (entries, last_place, place) in counted.items():
        places[laser_id] += [] if place is None else [place]
        places[laser_id] += [] if entries == last_place else [1]
    for laser_id, sequence in unlinked:
        places[laser_id].append(sequence)
    for laser_id, sequence in OFF_NOTES.rows(lasers=[*laser_ids]):
        places[laser_id].append(sequence)
    for laser_id, heads in elsewhere.items():
        places[laser_id] += _off(laser_id, heads)
    last = _heads_at({laser_id: row[1] for laser_id, row in counted.items()})
    return [
        Verified(
            laser_id,
            entries=counted[laser_id][0] if laser_id in counted else 0,
            head=last.get(laser_id),
            first_break=_named(laser_id, places[laser_id], elsewhere.get(laser_id, ())),
        )
        for laser_id in laser_ids
    ]


def walk_chain(laser_id: int, *, noted: Iterable[Head] = ()) -> Verified:
    """The same of one laser, row by row in this process: slower, independent of the database."""
    entries = PulseEntry.objects.filter(laser=laser_id)
    return Verified(
        laser_id,
        entries=entries.count(),
        head=head_of(laser_id),
        first_break=_walk(laser_id, after=START, noted=noted),
    )


def head_of(laser_id: int) -> Head | None:
    """The last entry of a laser's chain; None when it has none. One query."""
    return _last_before(laser_id, None)


def heads_to_note(laser_ids: Sequence[int]) -> dict[int, Head]:
    """The last entries of those of these lasers whose last entry is not noted. One query."""
    return {
        laser_id: Head(sequence, bytes(digest))
        for laser_id, sequence, digest in UNNOTED.rows(lasers=[*laser_ids])
    }


def _read_once(
    laser_ids: Sequence[int],
) -> tuple[dict[int, tuple[int, int, int | None]], list[tuple[int, int]]]:
    """Of each laser: entries, last place and first changed one; and the first wrong link."""
    statements = (DIGESTS_ARE_DEAR, CONTENTS, SORTED_IN_MEMORY, LINKS)
    with connection.cursor() as cursor:
        cursor.execute("; ".join(statements), [[*laser_ids]] * 2)
        cursor.nextset()
        contents: list[Any] = cursor.fetchall()
        for _ in range(3):
            cursor.nextset()
        links: list[tuple[int, int]] = cursor.fetchall()
    return {row[0]: row[1:] for row in contents}, links


def _off(laser_id: int, heads: Sequence[Head]) -> list[int]:
    """The places where the chain is not as these heads have it."""
    rows = PulseEntry.objects.filter(laser=laser_id, sequence__in=[head.sequence for head in heads])
    there = {sequence: bytes(digest) for sequence, digest in rows.values_list("sequence", "digest")}
    return [head.sequence for head in heads if there.get(head.sequence) != head.digest]


def _named(laser_id: int, places: Sequence[int], noted: Iterable[Head]) -> Break | None:
    """What is wrong at the first of these places."""
    if not places:
        return None
    return _walk(laser_id, after=_last_before(laser_id, min(places)) or START, noted=noted)


def _walk(laser_id: int, *, after: Head, noted: Iterable[Head]) -> Break | None:
    own = LedgerHead.objects.filter(laser=laser_id, sequence__gt=after.sequence)
    kept = [
        Head(sequence, bytes(digest)) for sequence, digest in own.values_list("sequence", "digest")
    ]
    later = [head for head in noted if head.sequence > after.sequence]
    return first_break(_links(laser_id, after=after), noted=[*kept, *later], after=after)


def _links(laser_id: int, *, after: Head) -> Iterator[Link]:
    rows = PulseEntry.objects.filter(laser=laser_id, sequence__gt=after.sequence)
    found = rows.order_by("sequence").values_list(*COLUMNS).iterator(chunk_size=5_000)
    for row in found:
        yield Link._make((row[0], bytes(row[1]), *row[2:-1], bytes(row[-1])))


def _last_before(laser_id: int, sequence: int | None) -> Head | None:
    rows = PulseEntry.objects.filter(laser=laser_id)
    if sequence is not None:
        rows = rows.filter(sequence__lt=sequence)
    for last, digest in rows.order_by("-sequence").values_list("sequence", "digest")[:1]:
        return Head(last, bytes(digest))
    return None


def _heads_at(sequences: Mapping[int, int]) -> dict[int, Head]:
    """The entries at these places, by laser. One query."""
    rows = HEADS.rows(lasers=[*sequences], sequences=[*sequences.values()])
    return {laser_id: Head(sequence, bytes(digest)) for laser_id, sequence, digest in rows}
