"""Which of a chain's own lines suit the ink that is still to be seen, clinic by clinic."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from clinics.access import Actor
from courses.errors import CourseUnknown, NothingToTreat, input_refused
from courses.models import Course
from courses.science.basis import CAUTION, Basis
from courses.science.line_ranking import Line, RankedLine, rank_lines, uncovered
from courses.science.wavelengths import ColourNeed, InkPart, colour_needs, effective_skin_type
from courses.selectors.lines import ClinicLasers, lasers_by_clinic, ranking_line
from courses.vocabulary import InkColour, SkinType


@dataclass(frozen=True, slots=True)
class ClinicAdvice:
    """The lines of one clinic's lasers, best first, and the colours that none of them acts on."""

    lasers: ClinicLasers
    ranked: tuple[RankedLine, ...]
    uncovered: tuple[InkColour, ...]


@dataclass(frozen=True, slots=True)
class LineAdvice:
    """What each visible colour needs, and how lines rank for all of them together.

    `given` ranks lines that a caller named, `clinics` those of the chain's lasers. `uncovered`
    are the colours that none of all these lines acts on. `skin_type` is the one reckoned with: a
    tan counts as one type more.
    """

    skin_type: SkinType
    tanned: bool
    needs: tuple[ColourNeed, ...]
    given: tuple[RankedLine, ...]
    clinics: tuple[ClinicAdvice, ...]
    uncovered: tuple[InkColour, ...]
    caution: str = CAUTION

    @property
    def test_spot(self) -> bool:
        """Whether any of the ink asks for a test spot first."""
        return any(need.test_spot for need in self.needs)

    @property
    def clinician(self) -> bool:
        """Whether any of the ink asks for a physician first."""
        return any(need.clinician for need in self.needs)

    @property
    def basis(self) -> tuple[Basis, ...]:
        """Where the answer comes from, each once."""
        ranked = [*self.given, *(line for one in self.clinics for line in one.ranked)]
        found = [basis for need in self.needs for basis in need.basis]
        found += [basis for line in ranked for basis in line.basis]
        return tuple(dict.fromkeys(found))


def course_line_advice(course_id: int, *, tanned: bool, actor: Actor, now: datetime) -> LineAdvice:
    """The advice for what is still to be seen of a course's tattoos. Five queries.

    Raises CourseUnknown, NothingToTreat when every part is recorded as gone.
    """
    course = (
        Course.objects.visible_to(actor)
        .select_related("patient")
        .prefetch_related("tattoos__parts")
        .filter(pk=course_id)
        .first()
    )
    if course is None:
        raise CourseUnknown(course=course_id)
    parts = _visible(course)
    if not parts:
        raise NothingToTreat("Every part of the tattoo is marked as cleared.", course=course.pk)
    return chain_line_advice(
        parts, SkinType(course.patient.skin_type), tanned=tanned, actor=actor, now=now
    )


def chain_line_advice(
    parts: Sequence[InkPart], skin_type: SkinType, *, tanned: bool, actor: Actor, now: datetime
) -> LineAdvice:
    """The advice for plain parts on the chain's own lasers. Two queries. Raises InputRefused."""
    with input_refused():
        skin = effective_skin_type(skin_type, tanned=tanned)
        clinics = [
            _at_clinic(lasers, parts=parts, skin_type=skin)
            for lasers in lasers_by_clinic(actor=actor, now=now)
        ]
        every = [line for one in clinics for line in one.ranked]
        return LineAdvice(
            skin_type=skin,
            tanned=tanned,
            needs=colour_needs(parts, skin),
            given=(),
            clinics=tuple(clinics),
            uncovered=uncovered(parts, skin, every),
        )


def given_line_advice(
    parts: Sequence[InkPart], skin_type: SkinType, *, lines: Sequence[Line], tanned: bool
) -> LineAdvice:
    """The advice for plain parts on lines that the caller names. Raises InvalidInput."""
    skin = effective_skin_type(skin_type, tanned=tanned)
    ranked = rank_lines(parts, skin, lines)
    return LineAdvice(
        skin_type=skin,
        tanned=tanned,
        needs=colour_needs(parts, skin),
        given=ranked,
        clinics=(),
        uncovered=uncovered(parts, skin, ranked),
    )


def _at_clinic(
    lasers: ClinicLasers, *, parts: Sequence[InkPart], skin_type: SkinType
) -> ClinicAdvice:
    ranked = rank_lines(parts, skin_type, [ranking_line(row) for row in lasers.lines()])
    return ClinicAdvice(lasers=lasers, ranked=ranked, uncovered=uncovered(parts, skin_type, ranked))


def _visible(course: Course) -> list[InkPart]:
    """The parts that are not gone, with their shares of the area that is left."""
    left = [
        (part, part.share * tattoo.area_cm2)
        for tattoo in course.tattoos.all()
        for part in tattoo.parts.all()
        if part.cleared_on is None
    ]
    area = sum(own for _, own in left)
    return [
        InkPart(colour=InkColour(part.colour), share=min(1.0, own / area), key=str(part.pk))
        for part, own in left
    ]
