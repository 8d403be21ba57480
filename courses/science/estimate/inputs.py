"""What an estimate is made from, and the refusals."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from math import isfinite

from courses.science.errors import InvalidInput
from courses.science.estimate.prior import PUBLISHED_PRIOR, PriorSettings, check_settings
from courses.science.fading.inputs import (
    Darkening,
    Goal,
    Grade,
    Part,
    TreatedSession,
    check_parts,
)
from courses.science.fading.model import DEFAULT_MODEL, FadingModel, Match
from courses.vocabulary import BodySite, InkAmount, Scarring, SkinType

BODY_CM2 = 20_000
MAX_TATTOO_AGE_MONTHS = 1_200


@dataclass(frozen=True, slots=True)
class Assessment:
    """What the practitioner saw. `amateur`, where given, must agree with `ink_amount`.

    `age_months`: age of the tattoo, None when unknown.
    """

    skin_type: SkinType
    site: BodySite
    area_cm2: float
    parts: Sequence[Part]
    ink_amount: InkAmount
    scarring: Scarring = Scarring.NONE
    layered: bool = False
    palpable: bool = False
    amateur: bool | None = None
    smoker: bool = False
    age_months: int | None = None


@dataclass(frozen=True, slots=True)
class Intervals:
    """Days between sessions as the healing rules give them: least, usual and longest."""

    earliest_days: int = 42
    usual_days: int = 57
    longest_days: int = 57


@dataclass(frozen=True, slots=True)
class ChairTime:
    """Minutes of a session: `fixed` whatever is treated, `area` for all parts together."""

    fixed_minutes: float
    area_minutes: float


@dataclass(frozen=True, slots=True)
class EstimateRequest:
    """One tattoo to estimate. `next_on`: the day of the next session, for the calendar."""

    assessment: Assessment
    goal: Goal = field(default_factory=Goal)
    settings: PriorSettings = PUBLISHED_PRIOR
    sessions: Sequence[TreatedSession] = ()
    grades: Sequence[Grade] = ()
    darkenings: Sequence[Darkening] = ()
    intervals: Intervals = field(default_factory=Intervals)
    chair: ChairTime | None = None
    next_on: date | None = None
    model: FadingModel = DEFAULT_MODEL


def served_only(request: EstimateRequest) -> EstimateRequest | None:
    """The same tattoo without the parts that the planned wavelengths hardly touch.

    None when there is no such part, or no other that is still to clear. It answers what can be
    reached with the lasers at hand when one ink keeps the whole from ever being done.
    """
    live = [part for part in request.assessment.parts if not part.cleared]
    unserved = {part.key for part in live if part.planned is Match.POOR}
    if not unserved or len(unserved) == len(live):
        return None
    parts = [
        replace(part, cleared=True) if part.key in unserved else part
        for part in request.assessment.parts
    ]
    return replace(request, assessment=replace(request.assessment, parts=parts))


def check_request(request: EstimateRequest) -> None:
    """Raise InvalidInput, naming field and rule; the fading model checks what was done and seen."""
    check_parts(request.assessment.parts)
    _check_assessment(request.assessment)
    _check_intervals(request.intervals)
    check_settings(request.settings)
    if request.chair is not None:
        for name in ("fixed_minutes", "area_minutes"):
            minutes = getattr(request.chair, name)
            if not isfinite(minutes) or not 0 <= minutes <= 24 * 60:
                raise InvalidInput(
                    field=f"chair.{name}",
                    rule="minutes-range",
                    message=f"Minutes lie from 0 to a day, not {minutes:g}.",
                )
    if request.next_on and request.sessions:
        last = request.sessions[-1].treated_on
        if request.next_on <= last:
            raise InvalidInput(
                field="next_on",
                rule="next-after-last",
                message=f"The next session cannot be on or before the last one, {last}.",
            )


def _check_assessment(assessment: Assessment) -> None:
    if not isfinite(assessment.area_cm2) or not 0 < assessment.area_cm2 <= BODY_CM2:
        raise InvalidInput(
            field="area_cm2",
            rule="area-on-a-body",
            message=(
                f"An area lies above 0 and within a body, {BODY_CM2} cm2, "
                f"not {assessment.area_cm2:g}."
            ),
        )
    is_amateur = assessment.ink_amount is InkAmount.AMATEUR
    if assessment.amateur is not None and assessment.amateur != is_amateur:
        raise InvalidInput(
            field="amateur",
            rule="amateur-agrees-with-ink-amount",
            message=(
                "Amateur and amount of ink contradict each other: the scale gives amateur "
                "tattoos an amount of their own."
            ),
        )
    age = assessment.age_months
    if age is not None and not 0 <= age <= MAX_TATTOO_AGE_MONTHS:
        raise InvalidInput(
            field="age_months",
            rule="tattoo-age-range",
            message=f"A tattoo is 0 to {MAX_TATTOO_AGE_MONTHS} months old, not {age}.",
        )


def _check_intervals(intervals: Intervals) -> None:
    days = (intervals.earliest_days, intervals.usual_days, intervals.longest_days)
    if days[0] < 1 or list(days) != sorted(days) or days[2] > 730:
        raise InvalidInput(
            field="intervals",
            rule="intervals-ordered",
            message="Intervals run from at least 1 day up: earliest, usual, longest (730 at most).",
        )
