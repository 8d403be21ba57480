"""The shape of session estimates in JSON."""

from typing import Any, Final

from rest_framework import serializers

from core.api.serializers import BasisOut, ComputedOut
from core.vocabulary import choices
from courses.science.estimate.cohort import CohortFactor
from courses.science.fading.forecast import HORIZON
from courses.science.fading.model import Match
from courses.vocabulary import CourseGoal, InkColour, Technique

BEYOND: Final = f"Null: beyond {HORIZON} further sessions"


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


class ReachableOut(serializers.Serializer[Any]):
    """What can be reached without the parts that no planned wavelength acts on."""

    left_out = serializers.ListField(child=serializers.CharField(), help_text="Parts")
    remaining = SessionCountOut()
    total = SessionCountOut()
    done_by = DoneByOut(many=True)
    calendar = CalendarOut()
    chair_hours = ChairHoursOut(allow_null=True)


class SessionEstimateOut(TattooFiguresOut, ComputedOut):
    """The estimate for plain inputs. `served` is null unless some, not all, of it is unserved."""

    goal = serializers.ChoiceField(choices=choices(CourseGoal))
    target_clearance = serializers.FloatField()
    prior = PriorOut()
    served = ReachableOut(allow_null=True)


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
    served = ReachableOut(
        allow_null=True,
        help_text="Null unless some, but not all, of the ink is beyond the planned lines",
    )
