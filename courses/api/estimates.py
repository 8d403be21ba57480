"""How estimates of sessions look in JSON: for plain inputs and for the courses in the records."""

from collections.abc import Sequence
from typing import Any, Final

from rest_framework import serializers

from core.api.serializers import BasisOut, ComputedOut
from core.vocabulary import choices
from courses.science.estimate.answer import DoneBy, SessionEstimate
from courses.science.estimate.cohort import CohortFactor, CohortView
from courses.science.estimate.inputs import EstimateRequest
from courses.science.estimate.plan import Calendar, ChairHours
from courses.science.estimate.prior import PriorSettings
from courses.science.fading.forecast import HORIZON, PartForecast
from courses.science.fading.inputs import Part
from courses.science.fading.model import Match
from courses.selectors.estimation.courses import CourseEstimate, TattooEstimate
from courses.vocabulary import CourseGoal, InkColour, Technique

Json = dict[str, Any]

BEYOND: Final = f"Null: beyond {HORIZON} further sessions"
ALL_BUT_CERTAIN: Final = 0.9995


class SessionCountOut(serializers.Serializer[Any]):
    """P10, P50 and P90 of a number of sessions."""

    p10 = serializers.IntegerField(allow_null=True, help_text=BEYOND)
    p50 = serializers.IntegerField(allow_null=True, help_text=BEYOND)
    p90 = serializers.IntegerField(allow_null=True, help_text=BEYOND)


class FractionOut(serializers.Serializer[Any]):
    """P10, P50 and P90 of a fraction of the ink."""

    p10 = serializers.FloatField()
    p50 = serializers.FloatField()
    p90 = serializers.FloatField()


class DoneByOut(serializers.Serializer[Any]):
    """The probability that the goal is reached by a session of that number."""

    session = serializers.IntegerField()
    probability = serializers.FloatField()


class CalendarOut(serializers.Serializer[Any]):
    """From the next session to the last, by the intervals of the healing rules.

    Soonest: P10 of the sessions at the earliest interval; likely: P50 at the advised one; latest:
    P90 at the longest. Dates where the next session has one.
    """

    earliest_interval_days = serializers.IntegerField()
    advised_interval_days = serializers.IntegerField()
    longest_interval_days = serializers.IntegerField()
    next_on = serializers.DateField(allow_null=True)
    soonest_weeks = serializers.FloatField(allow_null=True)
    likely_weeks = serializers.FloatField(allow_null=True)
    latest_weeks = serializers.FloatField(allow_null=True)
    soonest_on = serializers.DateField(allow_null=True)
    likely_on = serializers.DateField(allow_null=True)
    latest_on = serializers.DateField(allow_null=True)


class ChairHoursOut(serializers.Serializer[Any]):
    """Hours of chair time still to come; `expected` lets parts that are gone drop out."""

    p10 = serializers.FloatField(allow_null=True, help_text=BEYOND)
    p50 = serializers.FloatField(allow_null=True, help_text=BEYOND)
    p90 = serializers.FloatField(allow_null=True, help_text=BEYOND)
    expected = serializers.FloatField()


class PriorOut(serializers.Serializer[Any]):
    """How the six-parameter scale is read, and where that comes from."""

    multiplier = serializers.FloatField(help_text="Sessions per point; 1 as published")
    coefficient_of_variation = serializers.FloatField(help_text="Spread between tattoos")
    version = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class ParameterOut(serializers.Serializer[Any]):
    """One parameter of the scale, its level and the points it gives."""

    parameter = serializers.CharField()
    level = serializers.CharField()
    points = serializers.IntegerField()


class ScaleOut(serializers.Serializer[Any]):
    """A tattoo on the six-parameter scale: `sessions` = multiplier x total."""

    parameters = ParameterOut(many=True)
    total = serializers.IntegerField()
    multiplier = serializers.FloatField()
    sessions = serializers.FloatField()
    whole_sessions = serializers.IntegerField()


class PalpableOut(serializers.Serializer[Any]):
    """Sessions that a palpable tattoo adds to what ink and scar already give (`counted`)."""

    low = serializers.FloatField()
    high = serializers.FloatField()
    counted = serializers.FloatField()


class FactorOut(serializers.Serializer[Any]):
    """One thing that goes with a better or poorer result in the cohort."""

    factor = serializers.ChoiceField(choices=choices(CohortFactor))
    hazard_ratio = serializers.FloatField()
    basis = BasisOut()


class CohortOut(serializers.Serializer[Any]):
    """A second, independent view: a published cohort as a Weibull through its two points."""

    total = SessionCountOut()
    by_10 = serializers.FloatField(help_text="Success by 10 sessions")
    by_15 = serializers.FloatField(help_text="Success by 15 sessions")
    done_by = DoneByOut(many=True)
    hazard_ratio = serializers.FloatField()
    factors = FactorOut(many=True)
    basis = BasisOut()


class NoteOut(serializers.Serializer[Any]):
    """Something to know when reading the estimate; `part` where it is about one."""

    id = serializers.CharField()
    text = serializers.CharField()
    part = serializers.CharField(allow_null=True)
    basis = BasisOut()


class PartForecastOut(serializers.Serializer[Any]):
    """One part: how much is gone, how fast it fades, how many sessions are left of it.

    A part that is recorded as gone has no forecast.
    """

    key = serializers.CharField()
    colour = serializers.ChoiceField(choices=choices(InkColour))
    technique = serializers.ChoiceField(choices=choices(Technique))
    share = serializers.FloatField()
    cleared = serializers.BooleanField()
    planned_match = serializers.ChoiceField(
        choices=choices(Match),
        help_text="How well the wavelengths of the coming sessions suit the ink",
    )
    clearance = FractionOut(allow_null=True, help_text="Of the ink of this part, by now")
    fading_per_session = FractionOut(
        allow_null=True, help_text="Of the ink left, at a first-choice wavelength"
    )
    remaining = SessionCountOut(allow_null=True)


class TattooFiguresOut(serializers.Serializer[Any]):
    """The estimate of one tattoo with everything it was made from."""

    scale = ScaleOut()
    palpable = PalpableOut()
    assessed = SessionCountOut(help_text="Total sessions by the assessment alone")
    sessions_done = serializers.IntegerField()
    remaining = SessionCountOut()
    total = SessionCountOut()
    done_by = DoneByOut(many=True, help_text="From now on, until all but certain")
    calendar = CalendarOut()
    chair_hours = ChairHoursOut(allow_null=True)
    parts = PartForecastOut(many=True)
    governed_by = serializers.CharField(allow_null=True, help_text="The slowest part")
    cohort = CohortOut()
    views_disagree = serializers.BooleanField(
        allow_null=True,
        help_text="Whether scale and cohort are far apart; null where they cannot be compared",
    )
    notes = NoteOut(many=True)


class SessionEstimateOut(TattooFiguresOut, ComputedOut):
    """The estimate for plain inputs."""

    goal = serializers.ChoiceField(choices=choices(CourseGoal))
    target_clearance = serializers.FloatField()
    prior = PriorOut()


class SetAsideOut(serializers.Serializer[Any]):
    """A grade that does not count, and the rule it breaks."""

    clearance_grade = serializers.IntegerField()
    rule = serializers.CharField()
    reason = serializers.CharField()


class TattooEstimateOut(TattooFiguresOut):
    """The estimate of one tattoo of a course."""

    tattoo = serializers.IntegerField()
    grades_set_aside = SetAsideOut(many=True)


class CourseEstimateOut(ComputedOut):
    """The estimate of a course: the tattoo that takes longest governs.

    `sessions_done` counts this course; a tattoo counts the sessions of its earlier courses too.
    """

    course = serializers.IntegerField()
    status = serializers.CharField()
    goal = serializers.ChoiceField(choices=choices(CourseGoal))
    target_clearance = serializers.FloatField()
    prior = PriorOut()
    sessions_done = serializers.IntegerField()
    remaining = SessionCountOut()
    total = SessionCountOut()
    done_by = DoneByOut(many=True)
    calendar = CalendarOut()
    chair_hours = ChairHoursOut(allow_null=True)
    governed_by = serializers.IntegerField(help_text="The slowest tattoo")
    booked_on = serializers.DateField(allow_null=True, help_text="Of the next appointment")
    held = serializers.ListField(
        child=serializers.IntegerField(),
        help_text="Healing windows that a clinician must look at: no next day is known",
    )
    never = serializers.BooleanField(help_text="The skin may not be treated again")
    lines_known = serializers.BooleanField(
        help_text="False: no laser of the chain is recorded; first-choice lines are assumed"
    )
    tattoos = TattooEstimateOut(many=True)


def session_estimate_shown(request: EstimateRequest, found: SessionEstimate) -> Json:
    """What SessionEstimateOut shows."""
    return {
        **figures_shown(request, found),
        "goal": request.goal.kind.value,
        "target_clearance": request.goal.clearance,
        "prior": prior_shown(found.settings),
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
        "basis": found.basis,
        "caution": found.caution,
    }


def figures_shown(request: EstimateRequest, found: SessionEstimate) -> Json:
    """What TattooFiguresOut shows."""
    live = {part.key: part for part in found.forecast.parts}
    chair: ChairHours | None = found.chair
    return {
        "scale": found.scale,
        "palpable": found.palpable,
        "assessed": found.assessed,
        "sessions_done": found.forecast.sessions_done,
        "remaining": found.remaining,
        "total": found.total,
        "done_by": _done_by(found.done_by),
        "calendar": _calendar(found.calendar, requests=[request]),
        "chair_hours": chair,
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
