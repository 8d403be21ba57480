"""What estimates of sessions show: for plain inputs and for the courses in the records."""

from collections.abc import Sequence
from typing import Any, Final

from courses.science.estimate.answer import DoneBy, SessionEstimate
from courses.science.estimate.cohort import CohortView
from courses.science.estimate.course import CourseSessions
from courses.science.estimate.inputs import EstimateRequest
from courses.science.estimate.plan import Calendar
from courses.science.estimate.prior import PriorSettings
from courses.science.fading.forecast import PartForecast
from courses.science.fading.inputs import Part
from courses.selectors.estimation.courses import CourseEstimate, TattooEstimate

Json = dict[str, Any]

ALL_BUT_CERTAIN: Final = 0.9995


def session_estimate_shown(
    request: EstimateRequest,
    found: SessionEstimate,
    *,
    served: tuple[EstimateRequest, SessionEstimate] | None,
) -> Json:
    """What SessionEstimateOut shows."""
    return {
        **figures_shown(request, found),
        "goal": request.goal.kind.value,
        "target_clearance": request.goal.clearance,
        "prior": prior_shown(found.settings),
        "served": served and _served_tattoo(request, *served),
        "basis": tuple(dict.fromkeys((*found.basis, found.calendar.basis))),
        "caution": found.caution,
    }


def course_estimate_shown(found: CourseEstimate) -> Json:
    """What CourseEstimateOut shows."""
    sessions = found.sessions
    goal = found.tattoos[0].made_from.request.goal
    return {
        "course": found.course.pk,
        "status": found.course.status,
        "goal": found.course.goal,
        "target_clearance": goal.clearance,
        "prior": prior_shown(found.prior),
        "sessions_done": sessions.sessions_done,
        "remaining": sessions.remaining,
        "total": sessions.total,
        "done_by": _done_by(sessions.done_by),
        "calendar": _calendar(
            sessions.calendar, requests=[one.made_from.request for one in found.tattoos]
        ),
        "chair_hours": sessions.chair,
        "governed_by": found.governed_by,
        "booked_on": found.booked_on,
        "held": found.earliest.held,
        "never": found.earliest.barred,
        "lines_known": found.lines_known,
        "tattoos": [_tattoo(one) for one in found.tattoos],
        "served": found.served and _served_course(found, found.served),
        "basis": found.basis,
        "caution": found.caution,
    }


def figures_shown(request: EstimateRequest, found: SessionEstimate) -> Json:
    """What TattooFiguresOut shows."""
    live = {part.key: part for part in found.forecast.parts}
    return {
        "scale": found.scale,
        "palpable": found.palpable,
        "assessed": found.assessed,
        "sessions_done": found.forecast.sessions_done,
        "remaining": found.remaining,
        "total": found.total,
        "done_by": _done_by(found.done_by),
        "calendar": _calendar(found.calendar, requests=[request]),
        "chair_hours": found.chair,
        "parts": [_part(part, forecast=live.get(part.key)) for part in request.assessment.parts],
        "governed_by": found.forecast.governed_by,
        "cohort": _cohort(found.cohort, done=found.forecast.sessions_done),
        "views_disagree": found.disagrees,
        "notes": found.notes,
    }


def prior_shown(settings: PriorSettings) -> Json:
    """What PriorOut shows."""
    return {
        "multiplier": settings.multiplier,
        "coefficient_of_variation": settings.coefficient_of_variation,
        "version": settings.version,
        "source": settings.source,
    }


def _served_tattoo(
    request: EstimateRequest, served: EstimateRequest, found: SessionEstimate
) -> Json:
    gone = {part.key for part in request.assessment.parts if part.cleared}
    return {
        "left_out": [
            part.key for part in served.assessment.parts if part.cleared and part.key not in gone
        ],
        "remaining": found.remaining,
        "total": found.total,
        "done_by": _done_by(found.done_by),
        "calendar": _calendar(found.calendar, requests=[served]),
        "chair_hours": found.chair,
    }


def _served_course(found: CourseEstimate, served: CourseSessions) -> Json:
    return {
        "left_out": [f"tattoo {tattoo_id}: {key}" for tattoo_id, key in found.left_out],
        "remaining": served.remaining,
        "total": served.total,
        "done_by": _done_by(served.done_by),
        "calendar": _calendar(
            served.calendar, requests=[one.made_from.request for one in found.tattoos]
        ),
        "chair_hours": served.chair,
    }


def _tattoo(one: TattooEstimate) -> Json:
    return {
        "tattoo": one.made_from.tattoo_id,
        **figures_shown(one.made_from.request, one.estimate),
        "grades_set_aside": [
            {"clearance_grade": pk, "rule": aside.rule, "reason": aside.reason}
            for pk, aside in one.made_from.set_aside
        ],
    }


def _part(part: Part, *, forecast: PartForecast | None) -> Json:
    return {
        "key": part.key,
        "colour": part.colour.value,
        "technique": part.technique.value,
        "share": part.share,
        "cleared": part.cleared,
        "planned_match": part.planned.value,
        "clearance": forecast and forecast.clearance,
        "fading_per_session": forecast and forecast.fading_per_session,
        "remaining": forecast and forecast.remaining,
    }


def _calendar(calendar: Calendar, *, requests: Sequence[EstimateRequest]) -> Json:
    intervals = [request.intervals for request in requests]
    days = [request.next_on for request in requests]
    return {
        "earliest_interval_days": max(one.earliest_days for one in intervals),
        "advised_interval_days": max(one.usual_days for one in intervals),
        "longest_interval_days": max(one.longest_days for one in intervals),
        "next_on": None if None in days else max(day for day in days if day),
        "soonest_weeks": calendar.soonest_weeks,
        "likely_weeks": calendar.likely_weeks,
        "latest_weeks": calendar.latest_weeks,
        "soonest_on": calendar.soonest_on,
        "likely_on": calendar.likely_on,
        "latest_on": calendar.latest_on,
    }


def _cohort(view: CohortView, *, done: int) -> Json:
    curve = [DoneBy(session=done + n, probability=p) for n, p in enumerate(view.done_within)]
    return {
        "total": view.total,
        "by_10": view.by_10,
        "by_15": view.by_15,
        "done_by": _done_by(curve),
        "hazard_ratio": view.hazard_ratio,
        "factors": view.factors,
        "basis": view.basis,
    }


def _done_by(curve: Sequence[DoneBy]) -> list[DoneBy]:
    """The curve up to the session by which it is all but certain."""
    shown = []
    for point in curve:
        shown.append(point)
        if point.probability >= ALL_BUT_CERTAIN:
            break
    return shown
