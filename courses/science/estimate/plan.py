"""What the remaining sessions mean in weeks and in hours of chair time."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from courses.science.basis import Basis, Kind
from courses.science.estimate.inputs import ChairTime, Intervals
from courses.science.fading.forecast import Sessions, TattooForecast
from courses.science.fading.inputs import Part

CALENDAR_BASIS = Basis(
    id="session-estimate.calendar",
    version="1",
    source="First to last session = (sessions - 1) x interval; intervals from the healing rules",
    kind=Kind.COMMON_PRACTICE,
)


@dataclass(frozen=True, slots=True)
class Calendar:
    """From the next session to the last: weeks, and days where the next one is known.

    Soonest: P10 of the sessions at the earliest interval; likely: P50 at the usual one; latest:
    P90 at the longest. None where the number of sessions has no upper end within the horizon.
    """

    soonest_weeks: float | None
    likely_weeks: float | None
    latest_weeks: float | None
    soonest_on: date | None
    likely_on: date | None
    latest_on: date | None
    basis: Basis = CALENDAR_BASIS


@dataclass(frozen=True, slots=True)
class ChairHours:
    """Hours of chair time still to come: by number of sessions at full length, and expected.

    `expected` lets cleared parts drop out, so it may lie below `p50`; it is cut at the horizon.
    """

    p10: float | None
    p50: float | None
    p90: float | None
    expected: float


@dataclass(frozen=True, slots=True)
class TattooChair:
    """One tattoo of a course: what is left of it, and the minutes that a session of it takes."""

    forecast: TattooForecast
    parts: Sequence[Part]
    chair: ChairTime


def span_days(sessions: int, *, interval_days: int) -> int:
    """Days from the first to the last of `sessions`; 0 for one session or none."""
    return max(0, sessions - 1) * interval_days


def calendar_of(remaining: Sessions, *, intervals: Intervals, next_on: date | None) -> Calendar:
    """The calendar range of the remaining sessions."""
    soonest = _span(remaining.p10, interval_days=intervals.earliest_days)
    likely = _span(remaining.p50, interval_days=intervals.usual_days)
    latest = _span(remaining.p90, interval_days=intervals.longest_days)
    return Calendar(
        soonest_weeks=_weeks(soonest),
        likely_weeks=_weeks(likely),
        latest_weeks=_weeks(latest),
        soonest_on=_day(next_on, span=soonest),
        likely_on=_day(next_on, span=likely),
        latest_on=_day(next_on, span=latest),
    )


def _span(count: int | None, *, interval_days: int) -> int | None:
    return None if count is None else span_days(count, interval_days=interval_days)


def _weeks(span: int | None) -> float | None:
    return None if span is None else span / 7


def _day(next_on: date | None, *, span: int | None) -> date | None:
    return None if next_on is None or span is None else next_on + timedelta(days=span)


def course_chair_hours(
    tattoos: Sequence[TattooChair], *, remaining: Sessions, done_within: Sequence[float]
) -> ChairHours:
    """Hours still to come of a course that treats several tattoos in the same sessions.

    `done_within` is that of the course. The fixed minutes of a session are spent once.
    """
    fixed = max(one.chair.fixed_minutes for one in tattoos)
    area = sum(
        one.chair.area_minutes * _share_left(one.forecast, parts=one.parts) for one in tattoos
    )
    full = (fixed + area) / 60
    expected = fixed * sum(1 - done for done in done_within[:-1])
    expected += sum(_area_minutes(one) for one in tattoos)
    return ChairHours(
        p10=_hours(remaining.p10, each=full),
        p50=_hours(remaining.p50, each=full),
        p90=_hours(remaining.p90, each=full),
        expected=expected / 60,
    )


def chair_hours(forecast: TattooForecast, *, parts: Sequence[Part], chair: ChairTime) -> ChairHours:
    """Hours still to come for sessions of `chair` minutes."""
    return course_chair_hours(
        [TattooChair(forecast=forecast, parts=parts, chair=chair)],
        remaining=forecast.remaining,
        done_within=forecast.done_within,
    )


def _hours(count: int | None, *, each: float) -> float | None:
    return None if count is None else count * each


def _share_left(forecast: TattooForecast, *, parts: Sequence[Part]) -> float:
    share = {part.key: part.share for part in parts}
    return sum(share[part.key] for part in forecast.parts)


def _area_minutes(tattoo: TattooChair) -> float:
    """Minutes of passes over all further sessions; parts that are gone drop out.

    Session n + 1 happens when n were not enough, which has probability 1 - done_within[n].
    """
    share = {part.key: part.share for part in tattoo.parts}
    return tattoo.chair.area_minutes * sum(
        share[part.key] * sum(1 - done for done in part.done_within[:-1])
        for part in tattoo.forecast.parts
    )
