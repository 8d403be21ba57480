"""A course of one or several tattoos that are treated in the same sessions."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from courses.science.basis import CAUTION, Basis, Kind
from courses.science.estimate.answer import DoneBy, SessionEstimate
from courses.science.estimate.inputs import EstimateRequest, Intervals
from courses.science.estimate.plan import (
    Calendar,
    ChairHours,
    TattooChair,
    calendar_of,
    course_chair_hours,
)
from courses.science.fading.forecast import Sessions, together

BASIS = Basis(
    id="session-estimate.course",
    version="1",
    source=(
        "Tattoos treated in the same sessions: done when the slowest is, taken as independent "
        "(the cautious reading, proposal)"
    ),
    kind=Kind.PROPOSAL,
)


@dataclass(frozen=True, slots=True)
class CourseSessions:
    """Sessions, calendar and chair time of a whole course; `governed_by`: index of a tattoo."""

    sessions_done: int
    remaining: Sessions
    total: Sessions
    done_by: tuple[DoneBy, ...]
    calendar: Calendar
    chair: ChairHours | None
    governed_by: int
    basis: Basis = BASIS
    caution: str = CAUTION


def course_sessions(
    requests: Sequence[EstimateRequest], estimates: Sequence[SessionEstimate], *, done: int
) -> CourseSessions:
    """The course that treats these tattoos, after `done` sessions of it.

    Of several intervals the longest count; the next session is the latest day that any tattoo
    names, unknown when one does not name a day.
    """
    course = together([one.forecast for one in estimates])
    chairs = [
        TattooChair(forecast=one.forecast, parts=request.assessment.parts, chair=request.chair)
        for request, one in zip(requests, estimates, strict=True)
        if request.chair is not None
    ]
    return CourseSessions(
        sessions_done=done,
        remaining=course.remaining,
        total=course.remaining.plus(done),
        done_by=tuple(
            DoneBy(session=done + n, probability=probability)
            for n, probability in enumerate(course.done_within)
        ),
        calendar=calendar_of(
            course.remaining, intervals=_longest(requests), next_on=_next_on(requests)
        ),
        chair=(
            course_chair_hours(chairs, remaining=course.remaining, done_within=course.done_within)
            if chairs
            else None
        ),
        governed_by=course.governed_by,
    )


def _longest(requests: Sequence[EstimateRequest]) -> Intervals:
    intervals = [request.intervals for request in requests]
    return Intervals(
        earliest_days=max(one.earliest_days for one in intervals),
        usual_days=max(one.usual_days for one in intervals),
        longest_days=max(one.longest_days for one in intervals),
    )


def _next_on(requests: Sequence[EstimateRequest]) -> date | None:
    days = [request.next_on for request in requests]
    known = [day for day in days if day is not None]
    return max(known) if len(known) == len(days) else None
