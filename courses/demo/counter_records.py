"""A counter for each laser, read before and after its latest sessions. Invented."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Final

from core.db import step
from courses.demo.devices import LaserUnit
from courses.demo.inserting import insert
from courses.demo.scenario import Scenario
from courses.demo.treatment import Treatment
from courses.demo.upkeep import MARK
from devices.models import Counter, CounterReading, PulseEntry
from devices.services.counter_differences import counters_reconcile
from devices.vocabulary import CounterKind, ReadingOccasion

READ_DAYS: Final = 21
UNLOGGED: Final = 14

Fired = Sequence[tuple[datetime, int]]


@step
def write_counters(scenario: Scenario) -> None:
    """Counters, their readings, and what comparing them with the ledger finds.

    All agree with it but the last reading of one laser: somebody fired and did not log it.
    """
    since = scenario.moment.now - timedelta(days=READ_DAYS)
    lasers = scenario.devices.lasers
    counters = insert(
        Counter(chain=scenario.organisation.chain, kind=CounterKind.LASER, laser=unit.row)
        for unit in lasers
    )
    recent = [one for one in scenario.treatments() if one.started_at >= since]
    readings: list[CounterReading] = []
    for unit, counter in zip(lasers, counters, strict=True):
        own = [one for one in recent if one.laser is unit]
        began = scenario.moment.chance("counter", unit.row.serial).randint(20_000, 90_000)
        readings.extend(_readings(unit, counter, own, began=began))
    if readings:
        readings[-1].value += UNLOGGED
    insert(readings)
    counters_reconcile(chain_id=scenario.organisation.chain.pk, now=scenario.moment.now)


@step
def _readings(
    unit: LaserUnit, counter: Counter, treatments: Sequence[Treatment], *, began: int
) -> Iterator[CounterReading]:
    """What it showed at the start and the end of each session, as the ledger adds up."""
    if not treatments:
        return
    rows = PulseEntry.objects.filter(laser=unit.row, fired_at__gte=treatments[0].started_at)
    fired = list(rows.order_by("fired_at", "pk").values_list("fired_at", "pulses"))
    read_last = None
    for treatment in treatments:
        for read_at, occasion in (
            (treatment.started_at, ReadingOccasion.SESSION_START),
            (treatment.ended_at, ReadingOccasion.SESSION_END),
        ):
            if read_last is None or read_at > read_last:
                read_last = read_at
                yield CounterReading(
                    counter=counter,
                    read_at=read_at,
                    value=began + _pulses_before(read_at, fired),
                    occasion=occasion,
                    read_by=treatment.operator.member,
                    note=MARK,
                )


def _pulses_before(read_at: datetime, fired: Fired) -> int:
    return sum(pulses for fired_at, pulses in fired if fired_at < read_at)
