"""Where in each day a visit of some length displaces the fewest others."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from core.spans import Span


@dataclass(frozen=True, slots=True)
class Taken:
    """Something booked; `source` names its owner. What cannot be moved is `fixed`."""

    source: str
    span: Span
    fixed: bool = False


@dataclass(frozen=True, slots=True)
class DayChoice:
    """The best place for the visit on one day, and whose bookings it would displace."""

    day: date
    span: Span
    displaced: tuple[str, ...]
    in_time: bool


def choose_days(
    opening: Mapping[date, Sequence[Span]],
    *,
    taken: Iterable[Taken],
    length: timedelta,
    since: date,
    before: date | None,
) -> list[DayChoice]:
    """One place for each day that has room for it, the best day first.

    Days before `before` come first, then those with the fewest displaced, then the earliest; on a
    day, the fewest displaced and then the earliest start. `opening` has the opening spans of each
    local date. Nothing is placed over what is fixed.
    """
    booked = sorted(taken, key=lambda one: one.span.start)
    choices = []
    for day, spans in opening.items():
        if day >= since and (best := _best(spans, booked=booked, length=length)):
            in_time = before is None or day < before
            choices.append(DayChoice(day, best[0], best[1], in_time))
    return sorted(choices, key=lambda one: (not one.in_time, len(one.displaced), one.day))


def _best(
    spans: Sequence[Span], *, booked: Sequence[Taken], length: timedelta
) -> tuple[Span, tuple[str, ...]] | None:
    """The span that displaces the fewest; one starts at an opening or where another ends."""
    found = []
    for opened in spans:
        touching = [one for one in booked if one.span.overlaps(opened)]
        starts = {opened.start, *(one.span.end for one in touching)}
        for start in sorted(starts):
            span = Span(start, start + length)
            if not opened.contains(span):
                continue
            hit = [one for one in touching if one.span.overlaps(span)]
            if not any(one.fixed for one in hit):
                found.append((span, tuple(sorted({one.source for one in hit}))))
    return min(found, key=lambda one: (len(one[1]), one[0].start), default=None)
