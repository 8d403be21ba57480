"""Readings of counters, and how they stand against the ledger."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db import connection
from django.db.models import Exists, Max, OuterRef, Q

from devices.counters import Mark, Scale
from devices.models import Counter, CounterDifference, CounterReading, EmissionLine
from devices.vocabulary import CounterFinding, CounterStep, CounterUnit

# Holds until the transaction ends.
SORTED_IN_MEMORY: Final = "SET LOCAL work_mem = '64MB'"

# Running sums over readings and firings together: each row is read once, however many spans.
RECONCILED: Final = """
    WITH counted AS (
        SELECT id, laser_id, handpiece_id, coalesce(capacity, 0) AS capacity,
            CASE unit WHEN 'thousand_pulses' THEN 1000 ELSE 1 END AS step_pulses, coalesce((
                SELECT max(reading.read_at) FROM devices_counterreading AS reading
                WHERE reading.counter_id = counter.id AND reading.read_at <= %(since)s
                AND NOT reading.withdrawn AND NOT EXISTS (
                    SELECT FROM devices_counterreading AS later
                    WHERE later.corrects_id = reading.id
                )
            ), %(since)s) AS since
        FROM devices_counter AS counter
        WHERE chain_id = %(chain)s
        AND (%(counters)s::bigint[] IS NULL OR id = ANY(%(counters)s::bigint[]))
    ), standing AS (
        SELECT reading.id, counter_id, read_at, value, step, first_value, laser_id, handpiece_id,
            capacity, step_pulses
        FROM devices_counterreading AS reading
        JOIN counted ON counted.id = reading.counter_id AND reading.read_at >= counted.since
        WHERE NOT withdrawn AND NOT EXISTS (
            SELECT FROM devices_counterreading AS later WHERE later.corrects_id = reading.id
        )
    ), fired AS (
        SELECT laser_id, NULL::bigint AS handpiece_id, at, is_entry, sum(pulses) OVER (
            PARTITION BY laser_id ORDER BY at, is_entry ROWS UNBOUNDED PRECEDING
        )::bigint AS total FROM (
            SELECT DISTINCT laser_id, read_at AS at, 0 AS is_entry, 0::bigint AS pulses
            FROM standing WHERE laser_id IS NOT NULL
            UNION ALL
            SELECT laser_id, fired_at, 1, pulses FROM devices_pulseentry
            WHERE laser_id IN (SELECT laser_id FROM counted)
            AND fired_at >= (SELECT min(read_at) FROM standing)
        ) AS of_laser
        UNION ALL
        SELECT NULL, handpiece_id, at, is_entry, sum(pulses) OVER (
            PARTITION BY handpiece_id ORDER BY at, is_entry ROWS UNBOUNDED PRECEDING
        )::bigint FROM (
            SELECT DISTINCT handpiece_id, read_at AS at, 0 AS is_entry, 0::bigint AS pulses
            FROM standing WHERE handpiece_id IS NOT NULL
            UNION ALL
            SELECT handpiece_id, fired_at, 1, pulses FROM devices_pulseentry
            WHERE handpiece_id IN (SELECT handpiece_id FROM counted)
            AND fired_at >= (SELECT min(read_at) FROM standing)
        ) AS of_handpiece
    ), totals AS (
        SELECT coalesce(laser_id, 0) AS laser, coalesce(handpiece_id, 0) AS handpiece, at, total
        FROM fired WHERE is_entry = 0
    ), spans AS (
        SELECT counter_id, id, step, step_pulses, lag(id) OVER reading AS earlier_id, CASE step
            WHEN 'replaced' THEN value - first_value
            WHEN 'rolled_over' THEN value + capacity - lag(value) OVER reading
            ELSE value - lag(value) OVER reading
        END * step_pulses AS counter_pulses, total - lag(total) OVER reading AS ledger_pulses
        FROM standing
        JOIN totals ON totals.at = read_at AND totals.laser = coalesce(laser_id, 0)
            AND totals.handpiece = coalesce(handpiece_id, 0)
        WINDOW reading AS (PARTITION BY counter_id ORDER BY read_at, id)
    ), judged AS (
        SELECT *, abs(counter_pulses - ledger_pulses) < step_pulses AS agrees
        FROM spans WHERE earlier_id IS NOT NULL
    )
    SELECT counter_id, earlier_id, id, step, counter_pulses, ledger_pulses, NULL::bigint
    FROM judged WHERE NOT agrees
    UNION ALL
    SELECT NULL, NULL, NULL, NULL, count(*), count(*) FILTER (WHERE agrees), 1 FROM judged
"""


@dataclass(frozen=True, slots=True)
class Differing:
    """Two readings between which a counter and the ledger differ; both sums in pulses."""

    counter_id: int
    earlier_id: int
    later_id: int
    step: CounterStep
    counter_pulses: int
    ledger_pulses: int

    @property
    def finding(self) -> CounterFinding:
        """Which side has more."""
        if self.counter_pulses > self.ledger_pulses:
            return CounterFinding.UNLOGGED
        return CounterFinding.OVER_LOGGED


@dataclass(frozen=True, slots=True)
class Reconciled:
    """How many spans there are between readings, how many agree, and those that do not."""

    spans: int
    agreeing: int
    differing: tuple[Differing, ...]


def reconciled(
    chain_id: int, *, since: datetime, counter_ids: Sequence[int] | None = None
) -> Reconciled:
    """Every span of a chain's counters that ends after `since`, against the ledger. One statement.

    `counter_ids` narrows it. Readings that were corrected or withdrawn do not count; the reading
    in force at `since` opens the first span.
    """
    with connection.cursor() as cursor:
        counters = None if counter_ids is None else [*counter_ids]
        cursor.execute(
            f"{SORTED_IN_MEMORY}; {RECONCILED}",
            {"chain": chain_id, "since": since, "counters": counters},
        )
        cursor.nextset()
        rows = cursor.fetchall()
    [(spans, agreeing)] = [row[4:6] for row in rows if row[6] is not None]
    return Reconciled(
        spans=spans,
        agreeing=agreeing,
        differing=tuple(
            Differing(row[0], row[1], row[2], CounterStep(row[3]), row[4], row[5])
            for row in rows
            if row[6] is None
        ),
    )


def scale_of(counter: Counter) -> Scale:
    """What the counter's numbers mean."""
    return Scale(unit=CounterUnit(counter.unit), capacity=counter.capacity)


def mark_of(reading: CounterReading) -> Mark:
    """A stored or drafted reading as the pure package takes it."""
    return Mark(
        read_at=reading.read_at,
        value=reading.value,
        step=CounterStep(reading.step),
        first_value=reading.first_value,
        key=reading.pk,
    )


def readings_around(
    counter_ids: Iterable[int], *, start: datetime, end: datetime
) -> dict[int, list[CounterReading]]:
    """Readings that stand from the last before `start` to the first after `end`, by counter.

    In the order of time. Three queries for any number of counters.
    """
    standing = CounterReading.objects.counting().filter(counter__in=[*counter_ids])
    before = standing.filter(read_at__lt=start).order_by("counter_id", "-read_at", "-id")
    after = standing.filter(read_at__gt=end).order_by("counter_id", "read_at", "id")
    within = standing.filter(read_at__gte=start, read_at__lte=end)
    found: dict[int, list[CounterReading]] = defaultdict(list)
    for rows in (before.distinct("counter_id"), within, after.distinct("counter_id")):
        for reading in rows:
            found[reading.counter_id].append(reading)
    for readings in found.values():
        readings.sort(key=lambda reading: (reading.read_at, reading.pk))
    return found


def most_hz_of(counters: Iterable[Counter]) -> dict[int, float]:
    """The highest rate at which each of these counters can be driven, in Hz. Two queries."""
    wanted = [*counters]
    models = EmissionLine.objects.values_list("laser_model_id").annotate(Max("max_rate_hz"))
    by_model = dict(models.filter(laser_model__lasers__counters__in=wanted))
    tips = EmissionLine.objects.filter(handpieces__counters__in=wanted)
    by_tip = dict(tips.values_list("handpieces__id").annotate(Max("max_rate_hz")))
    rates = {}
    for counter in wanted:
        if counter.laser is not None:
            rate = by_model.get(counter.laser.laser_model_id)
        else:
            rate = by_tip.get(counter.handpiece_id)
        if rate is not None:
            rates[counter.pk] = rate
    return rates


def spans_gone(differences: Iterable[CounterDifference]) -> set[int]:
    """Those of these differences whose two readings no longer follow one another."""
    replaced = Q(earlier__correction__isnull=False) | Q(later__correction__isnull=False)
    between = CounterReading.objects.counting().filter(
        counter=OuterRef("counter"),
        read_at__gt=OuterRef("earlier__read_at"),
        read_at__lt=OuterRef("later__read_at"),
    )
    rows = CounterDifference.objects.filter(pk__in=[one.pk for one in differences])
    return {*rows.filter(replaced | Exists(between)).values_list("pk", flat=True)}
