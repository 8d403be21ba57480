"""Half-open spans of time between two UTC instants, and arithmetic with them."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Self


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """From `start` (included) to `end` (excluded); both aware, kept in UTC.

    Raises ValueError for a naive instant and unless `start` is before `end`.
    """

    start: datetime
    end: datetime

    def __post_init__(self) -> None:
        if self.start.tzinfo is None or self.end.tzinfo is None:
            raise ValueError("a span needs aware instants")
        # Instants of one zone compare by wall time (PEP 495), so go to UTC before comparing.
        object.__setattr__(self, "start", self.start.astimezone(UTC))
        object.__setattr__(self, "end", self.end.astimezone(UTC))
        if self.start >= self.end:
            raise ValueError(f"a span ends after it starts: {self.start} to {self.end}")

    @property
    def duration(self) -> timedelta:
        """Elapsed time between start and end."""
        return self.end - self.start

    def contains(self, other: "Span | datetime") -> bool:
        """Whether an instant, or a whole span, lies inside."""
        if isinstance(other, Span):
            return self.start <= other.start and other.end <= self.end
        return self.start <= other < self.end

    def overlaps(self, other: Self) -> bool:
        """Whether the two share an instant; spans that only touch do not."""
        return self.start < other.end and other.start < self.end

    def intersect(self, other: Self) -> "Span | None":
        """The part that the two share, or None."""
        if not self.overlaps(other):
            return None
        return Span(max(self.start, other.start), min(self.end, other.end))


def merge(spans: Iterable[Span]) -> list[Span]:
    """The same time as sorted, disjoint spans; those that overlap or touch become one."""
    merged: list[Span] = []
    for span in sorted(spans):
        if merged and span.start <= merged[-1].end:
            if span.end > merged[-1].end:
                merged[-1] = Span(merged[-1].start, span.end)
        else:
            merged.append(span)
    return merged


def subtract(spans: Iterable[Span], removed: Iterable[Span]) -> list[Span]:
    """What is left of `spans` outside `removed`; sorted and disjoint. n log n in both."""
    left: list[Span] = []
    holes = merge(removed)
    first = 0
    for span in merge(spans):
        while first < len(holes) and holes[first].end <= span.start:
            first += 1
        left.extend(_without(span, holes, first))
    return left


def intersect(spans: Iterable[Span], others: Iterable[Span]) -> list[Span]:
    """The time that lies both in `spans` and in `others`; sorted and disjoint."""
    left, right = merge(spans), merge(others)
    shared: list[Span] = []
    i = j = 0
    while i < len(left) and j < len(right):
        part = left[i].intersect(right[j])
        if part is not None:
            shared.append(part)
        if left[i].end <= right[j].end:
            i += 1
        else:
            j += 1
    return shared


def _without(span: Span, holes: list[Span], first: int) -> list[Span]:
    """`span` without the sorted, disjoint `holes`, of which those before `first` lie before it."""
    left: list[Span] = []
    start = span.start
    for index in range(first, len(holes)):
        hole = holes[index]
        if hole.start >= span.end:
            break
        if start < hole.start:
            left.append(Span(start, hole.start))
        start = max(start, hole.end)
    if start < span.end:
        left.append(Span(start, span.end))
    return left
