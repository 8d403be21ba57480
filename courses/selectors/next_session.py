"""What the next session of a course is for: what is left, which light it needs, how long, when."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from clinics.access import Actor
from core.vocabulary import DeviceStatus
from courses.errors import CourseUnknown, input_refused
from courses.models import Course, HealingWindow
from courses.science.basis import CAUTION, Basis
from courses.science.line_ranking import Line, RankedLine, rank_lines
from courses.science.treatment import TreatmentLength
from courses.science.wavelengths import ColourNeed, colour_needs, fewest_wavelengths
from courses.selectors.explanations import reasons_of
from courses.selectors.healing import Earliest, earliest_for_course, windows_of_course
from courses.selectors.lines import ranking_line
from courses.selectors.plans import Technique, VisitPlan, visit_plan
from courses.selectors.precheck.windows import Bar, bars_before_first
from courses.vocabulary import SkinType
from devices.models import EmissionLine


@dataclass(frozen=True, slots=True)
class NextSession:
    """The plan of the next session, with the reasons for each part of it.

    `needs` ranks the wavelengths for each visible colour; `wavelengths_nm` is the fewest that
    serve them all; `lines` ranks what the lasers of the course's clinic emit.
    """

    course: Course
    plan: VisitPlan
    needs: tuple[ColourNeed, ...]
    wavelengths_nm: tuple[int, ...]
    lines: tuple[RankedLine, ...]
    length: TreatmentLength
    earliest: Earliest
    windows: tuple[HealingWindow, ...]
    reasons: list[dict[str, Any]]
    bars: tuple[Bar, ...]
    basis: tuple[Basis, ...]
    caution: str = CAUTION


def next_session(
    course_id: int, *, technique: Technique, actor: Actor, now: datetime
) -> NextSession:
    """What is planned for the next session of a course, and why. About eight queries.

    Raises CourseUnknown, NothingToTreat, InputRefused.
    """
    plan = visit_plan(course_id, actor=actor)
    course = (
        Course.objects.visible_to(actor)
        .select_related("patient", "chain", "clinic")
        .filter(pk=course_id)
        .first()
    )
    if course is None:
        raise CourseUnknown(course=course_id)
    skin_type = SkinType(course.patient.skin_type)
    windows = tuple(windows_of_course(course.pk).order_by("pk"))
    with input_refused():
        needs = colour_needs(plan.parts, skin_type)
        length = plan.length(technique)
        lines = rank_lines(plan.parts, skin_type, _lines_at(course))
    return NextSession(
        course=course,
        plan=plan,
        needs=needs,
        wavelengths_nm=fewest_wavelengths(plan.requirements),
        lines=lines,
        length=length,
        earliest=earliest_for_course(course),
        windows=windows,
        reasons=reasons_of(windows),
        bars=() if windows else bars_before_first(course, at=now),
        basis=_all_basis(needs, length=length, lines=lines),
    )


def _lines_at(course: Course) -> list[Line]:
    """What the lasers in service at the clinic of the course emit."""
    rows = (
        EmissionLine.objects.filter(
            laser_model__lasers__clinic=course.clinic_id,
            laser_model__lasers__status=DeviceStatus.ACTIVE,
        )
        .order_by("wavelength_nm", "pulse_min_ns", "pk")
        .distinct()
    )
    return [ranking_line(row) for row in rows]


def _all_basis(
    needs: Sequence[ColourNeed], *, length: TreatmentLength, lines: Sequence[RankedLine]
) -> tuple[Basis, ...]:
    answers: list[Basis] = [basis for one in needs for basis in one.basis]
    answers += length.basis
    answers += [basis for one in lines for basis in one.basis]
    return tuple(dict.fromkeys(answers))
