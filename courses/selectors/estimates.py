"""How many sessions a course may take by the six-parameter scale, beside what was done."""

from collections import defaultdict
from dataclasses import dataclass

from clinics.access import Actor
from courses.errors import CourseUnknown, input_refused
from courses.models import Course, Session, Tattoo
from courses.science.basis import CAUTION, Basis
from courses.science.kirby_desai import (
    BASIS,
    ScaleInput,
    ScaleResult,
    colour_level,
    location_of,
    score,
)
from courses.vocabulary import (
    BodySite,
    CourseGoal,
    InkAmount,
    InkColour,
    Scarring,
    SessionStatus,
    SkinType,
)

TO_CLEAR = "The scale counts sessions to clear a tattoo; to lighten it takes fewer."


@dataclass(frozen=True, slots=True)
class TattooEstimate:
    """One tattoo on the scale."""

    tattoo_id: int
    result: ScaleResult


@dataclass(frozen=True, slots=True)
class CourseEstimate:
    """A course on the scale: the tattoo that takes most sessions governs.

    `whole_sessions` is for the whole course, `sessions_left` what is left of it after
    `sessions_done`, never below zero. `notes` say what the scale does not know.
    """

    course_id: int
    goal: CourseGoal
    notes: tuple[str, ...]
    tattoos: tuple[TattooEstimate, ...]
    sessions: float
    whole_sessions: int
    sessions_done: int
    sessions_left: int
    multiplier: float
    basis: tuple[Basis, ...] = (BASIS,)
    caution: str = CAUTION


def course_estimate(course_id: int, *, actor: Actor) -> CourseEstimate:
    """The estimate of a course of the actor's chain. Four queries. Raises CourseUnknown."""
    course = (
        Course.objects.visible_to(actor)
        .select_related("patient", "chain")
        .prefetch_related("tattoos__parts")
        .filter(pk=course_id)
        .first()
    )
    if course is None:
        raise CourseUnknown(course=course_id)
    multiplier = float(course.chain.session_multiplier)
    skin_type = SkinType(course.patient.skin_type)
    tattoos = tuple(
        TattooEstimate(
            tattoo_id=tattoo.pk,
            result=_scored(tattoo, skin_type=skin_type, multiplier=multiplier),
        )
        for tattoo in course.tattoos.all()
    )
    whole = max((one.result.whole_sessions for one in tattoos), default=0)
    done = Session.objects.filter(
        course=course, status__in=[SessionStatus.COMPLETED, SessionStatus.STOPPED]
    ).count()
    return CourseEstimate(
        course_id=course.pk,
        goal=CourseGoal(course.goal),
        notes=(TO_CLEAR,) if course.goal == CourseGoal.LIGHTEN else (),
        tattoos=tattoos,
        sessions=max((one.result.sessions for one in tattoos), default=0.0),
        whole_sessions=whole,
        sessions_done=done,
        sessions_left=max(0, whole - done),
        multiplier=multiplier,
    )


def _scored(tattoo: Tattoo, *, skin_type: SkinType, multiplier: float) -> ScaleResult:
    shares: dict[InkColour, float] = defaultdict(float)
    for part in tattoo.parts.all():
        shares[InkColour(part.colour)] += part.share
    with input_refused():
        return score(
            ScaleInput(
                skin_type=skin_type,
                location=location_of(BodySite(tattoo.site)),
                colour=colour_level(shares),
                ink_amount=InkAmount(tattoo.ink_amount),
                scarring=Scarring(tattoo.scarring),
                layered=tattoo.layered,
            ),
            multiplier=multiplier,
        )
