"""Readings of one counter in the order of time, and the pulses between two of them."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Final

from devices.vocabulary import CounterStep, CounterUnit

PULSES_OF: Final = {CounterUnit.PULSES: 1, CounterUnit.THOUSAND_PULSES: 1000}


@dataclass(frozen=True, slots=True)
class Scale:
    """What a counter's numbers mean: pulses for each of its steps, and where it starts again."""

    unit: CounterUnit = CounterUnit.PULSES
    capacity: int | None = None

    @property
    def step_pulses(self) -> int:
        """Pulses that one step stands for."""
        return PULSES_OF[self.unit]


@dataclass(frozen=True, slots=True)
class Mark:
    """One reading: what was shown, in the counter's unit, and how it came from the one before."""

    read_at: datetime
    value: int
    step: CounterStep = CounterStep.COUNTED
    first_value: int = 0
    key: int | None = None


class CounterImpossible(ValueError):
    """A reading that cannot follow the one before; `rule` is a stable id."""

    def __init__(self, rule: str, message: str, *, mark: Mark, before: Mark | None = None) -> None:
        super().__init__(message)
        self.rule = rule
        self.message = message
        self.mark = mark
        self.before = before


def pulses_between(before: Mark, mark: Mark, *, scale: Scale) -> int:
    """Pulses that the counter saw between two readings of it.

    Past its capacity it starts again at 0; one that was replaced starts at `first_value`. Raises
    CounterImpossible for a counter that ran backwards, a capacity that is not known or too small,
    and a value below the one it started from.
    """
    check_mark(mark, scale=scale)
    if mark.step is CounterStep.REPLACED:
        return (mark.value - mark.first_value) * scale.step_pulses
    if mark.step is CounterStep.ROLLED_OVER:
        if scale.capacity is None:
            raise CounterImpossible(
                "capacity-unknown",
                "A counter rolls over at its capacity; none is known for this one.",
                mark=mark,
                before=before,
            )
        return (mark.value + scale.capacity - before.value) * scale.step_pulses
    if mark.value < before.value:
        raise CounterImpossible(
            "backwards",
            f"The counter showed {before.value} before; it cannot show {mark.value} now.",
            mark=mark,
            before=before,
        )
    return (mark.value - before.value) * scale.step_pulses


def check_mark(mark: Mark, *, scale: Scale) -> None:
    """Raise CounterImpossible for a reading that is wrong by itself."""
    if mark.value < 0:
        raise CounterImpossible("negative", "A counter shows 0 or more.", mark=mark)
    if scale.capacity is not None and mark.value >= scale.capacity:
        raise CounterImpossible(
            "beyond-capacity", f"This counter shows {scale.capacity - 1} at most.", mark=mark
        )
    if mark.step is CounterStep.REPLACED and mark.value < mark.first_value:
        raise CounterImpossible(
            "below-first-value", "The counter shows less than it started with.", mark=mark
        )


def check_marks(
    marks: Iterable[Mark], *, scale: Scale, most_hz: float | None = None
) -> Iterator[CounterImpossible]:
    """What cannot be in a row of readings in the order of time; `most_hz` bounds the pulses."""
    for before, mark in pairwise(marks):
        try:
            pulses = pulses_between(before, mark, scale=scale)
        except CounterImpossible as impossible:
            yield impossible
            continue
        seconds = (mark.read_at - before.read_at).total_seconds()
        if most_hz is not None and pulses - scale.step_pulses > most_hz * seconds:
            yield CounterImpossible(
                "too-fast",
                f"{pulses} pulses in {seconds:g} s are more than {most_hz:g} a second.",
                mark=mark,
                before=before,
            )
