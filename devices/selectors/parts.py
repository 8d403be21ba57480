"""How far parts are through their life, from the ledger."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from clinics.querysets import HasChain
from core.prepared import Prepared

# A correction carries the instant of the entry that it corrects, so it counts where that counts.
PART_LIVES: Final = """
    SELECT 'part' AS unit, part.id, part.kind, part.serial, part.status,
        part.rated_life_pulses, part.rated_life_months, part.rated_life_source,
        part.pulses_before, coalesce(worn.pulses, 0)::bigint, worn.since, worn.until,
        worn.laser_id, worn.handpiece_id
    FROM devices_part AS part
    LEFT JOIN LATERAL (
        SELECT sum(fired.pulses) AS pulses, min(lower(stay.period)) AS since,
            CASE WHEN bool_or(upper_inf(stay.period)) THEN NULL ELSE max(upper(stay.period)) END
                AS until,
            max(stay.laser_id) FILTER (WHERE stay.period @> %(now)s::timestamptz) AS laser_id,
            max(stay.handpiece_id) FILTER (WHERE stay.period @> %(now)s::timestamptz)
                AS handpiece_id
        FROM devices_installation AS stay
        LEFT JOIN LATERAL (
            SELECT sum(entry.pulses) AS pulses FROM devices_pulseentry AS entry
            JOIN devices_emissionline AS line ON line.id = entry.line_id
            WHERE entry.laser_id = stay.laser_id
            AND entry.fired_at >= lower(stay.period)
            AND entry.fired_at < coalesce(upper(stay.period), 'infinity')
            AND (part.wavelengths_nm = '{}' OR line.wavelength_nm = ANY (part.wavelengths_nm))
            UNION ALL
            SELECT sum(entry.pulses) FROM devices_pulseentry AS entry
            JOIN devices_emissionline AS line ON line.id = entry.line_id
            WHERE entry.handpiece_id = stay.handpiece_id
            AND entry.fired_at >= lower(stay.period)
            AND entry.fired_at < coalesce(upper(stay.period), 'infinity')
            AND (part.wavelengths_nm = '{}' OR line.wavelength_nm = ANY (part.wavelengths_nm))
        ) AS fired ON true
        WHERE stay.part_id = part.id
    ) AS worn ON true
    WHERE part.chain_id = %(chain)s::bigint
"""

BY_ID: Final = Prepared(f"{PART_LIVES} AND part.id = ANY (%(parts)s::bigint[]) ORDER BY part.id")

OF_LASER: Final = Prepared(f"""
    WITH tips AS (
        SELECT fitting.handpiece_id, (
            SELECT min(lower(earlier.period)) FROM devices_fitting AS earlier
            WHERE earlier.handpiece_id = fitting.handpiece_id
        ) AS since
        FROM devices_fitting AS fitting
        JOIN devices_laser AS laser ON laser.id = fitting.laser_id
        WHERE fitting.laser_id = %(laser)s::bigint AND laser.chain_id = %(chain)s::bigint
        AND fitting.period @> %(now)s::timestamptz
    )
    SELECT * FROM (
        {PART_LIVES}
        AND part.id IN (
            SELECT part_id FROM devices_installation AS held
            WHERE held.period @> %(now)s::timestamptz AND (
                held.laser_id = %(laser)s::bigint
                OR held.handpiece_id IN (SELECT handpiece_id FROM tips)
            )
        )
        UNION ALL
        SELECT 'handpiece', tip.id, 'handpiece', tip.serial, tip.status,
            tip.rated_life_pulses, tip.rated_life_months, '', tip.counter_at_start,
            coalesce((
                SELECT sum(pulses) FROM devices_pulseentry WHERE handpiece_id = tip.id
            ), 0)::bigint,
            tips.since, NULL, %(laser)s::bigint, NULL
        FROM tips JOIN devices_handpiece AS tip ON tip.id = tips.handpiece_id
    ) AS lives ORDER BY 3, 4, 2
""")  # noqa: S608 - the text is this module's own, its values are parameters


@dataclass(frozen=True, slots=True)
class PartLife:
    """A part (or a handpiece) and what it has done.

    `since` is when it was first installed, `until` when it was last taken out (None: it is in, or
    never was); `laser` or `handpiece` is where it sits now.
    """

    unit: str
    id: int
    kind: str
    serial: str
    status: str
    rated_pulses: int | None
    rated_months: int | None
    rated_source: str
    before: int
    logged: int
    since: datetime | None
    until: datetime | None
    laser: int | None
    handpiece: int | None

    @property
    def so_far(self) -> int:
        """Pulses it has done: before the record, and as the ledger has it."""
        return self.before + self.logged

    @property
    def left(self) -> int | None:
        """Pulses until the rated life is reached, below 0 beyond it; None when none is rated."""
        return None if self.rated_pulses is None else self.rated_pulses - self.so_far


def part_lives(ids: Iterable[int], *, actor: HasChain, now: datetime) -> list[PartLife]:
    """The lives of these parts of the actor's chain. One query for any number."""
    rows = BY_ID.rows(parts=list(ids), chain=actor.chain_id, now=now)
    return [PartLife(*row) for row in rows]


def laser_part_lives(laser_id: int, *, actor: HasChain, now: datetime) -> list[PartLife]:
    """What sits in a laser and in its handpieces now, with these handpieces. One query."""
    rows = OF_LASER.rows(laser=laser_id, chain=actor.chain_id, now=now)
    return [PartLife(*row) for row in rows]
