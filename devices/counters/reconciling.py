"""What a counter says of the ledger, from reading to reading.

Accounting identity: what the counter gained is what the ledger holds for the same time, to the
resolution of the counter. A firing belongs to the reading before it and the one after it by the
instant at which it began; one that began with a reading came after it.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Final

from devices.counters.marks import Mark, Scale, pulses_between
from devices.vocabulary import CounterFinding, CounterStep

AGREEING: Final = {
    CounterStep.COUNTED: CounterFinding.AGREES,
    CounterStep.ROLLED_OVER: CounterFinding.ROLL_OVER,
    CounterStep.REPLACED: CounterFinding.REPLACEMENT,
}


@dataclass(frozen=True, slots=True)
class SpanFinding:
    """Two readings in turn, what each side has between them in pulses, and what that means.

    After a replacement the counter has what it counted since; whatever the old one counted after
    its last reading is known to the ledger alone, so it shows as over-logged until explained.
    """

    earlier: Mark
    later: Mark
    counter_pulses: int
    ledger_pulses: int
    finding: CounterFinding

    @property
    def agrees(self) -> bool:
        """Whether nothing is left to explain."""
        return self.finding in AGREEING.values()


def judge(
    counter_pulses: int, ledger_pulses: int, *, step: CounterStep, scale: Scale
) -> CounterFinding:
    """How the two sums stand to one another; less than one step of the counter is no difference."""
    if abs(counter_pulses - ledger_pulses) < scale.step_pulses:
        return AGREEING[step]
    if counter_pulses > ledger_pulses:
        return CounterFinding.UNLOGGED
    return CounterFinding.OVER_LOGGED


def reconcile(
    marks: Sequence[Mark], firings: Iterable[tuple[datetime, int]], *, scale: Scale
) -> Iterator[SpanFinding]:
    """Every span between readings (in the order of time) against the firings (instant, pulses).

    Corrections are firings with a negative number, at the instant of what they correct. Raises
    CounterImpossible for readings that cannot follow one another.
    """
    fired = [*firings]
    for earlier, later in pairwise(marks):
        counted = pulses_between(earlier, later, scale=scale)
        logged = sum(
            pulses for instant, pulses in fired if earlier.read_at <= instant < later.read_at
        )
        yield SpanFinding(
            earlier,
            later,
            counter_pulses=counted,
            ledger_pulses=logged,
            finding=judge(counted, logged, step=later.step, scale=scale),
        )
