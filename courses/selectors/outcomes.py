"""What came of treatments, read for the clinician: clearance over time, and reactions."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from django.db.models import QuerySet

from clinics.access import Actor
from courses.errors import CourseUnknown, input_refused
from courses.healing.facts import RESPONSE_FINDINGS
from courses.models import Course, Observation, Session, Tattoo, TattooPart, TreatmentPass
from courses.outcomes.clearance import PartClearance, clearance_over_time
from courses.outcomes.reactions import Axis, ReactionRate, TreatedPart, reaction_rates
from courses.science.basis import CAUTION, Basis
from courses.selectors.estimation.records import TREATED, History, histories, part_key
from courses.vocabulary import (
    InkColour,
    ObservationKind,
    ObservationStatus,
    SkinResponse,
    SkinType,
)

# What the skin shows that is no reaction to a treatment.
NO_REACTION: Final = frozenset(
    {
        ObservationKind.FLAT,
        ObservationKind.RAISED,
        ObservationKind.SUNBURN,
        ObservationKind.TAN,
    }
)
REACTIONS: Final = tuple(kind for kind in ObservationKind if kind not in NO_REACTION)


@dataclass(frozen=True, slots=True)
class PartOutcome:
    """One part and its grades in order, each with its key; None when it was never graded."""

    part: TattooPart
    key: str
    clearance: PartClearance | None
    grade_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class TattooOutcome:
    """One tattoo: the days on which it was treated, and its parts."""

    tattoo: Tattoo
    treated_on: tuple[date, ...]
    parts: tuple[PartOutcome, ...]


@dataclass(frozen=True, slots=True)
class CourseOutcome:
    """Clearance of a course's tattoos over all their courses."""

    course: Course
    tattoos: tuple[TattooOutcome, ...]
    caution: str = CAUTION

    @property
    def basis(self) -> tuple[Basis, ...]:
        """Where the end points come from, each once."""
        return tuple(
            dict.fromkeys(
                basis
                for tattoo in self.tattoos
                for one in tattoo.parts
                if one.clearance is not None
                for basis in one.clearance.basis
            )
        )


@dataclass(frozen=True, slots=True)
class ReactionQuestion:
    """Which sessions, told apart by what. Dates are local ones of the clinics."""

    treated_from: date | None
    treated_until: date | None
    clinic_ids: Collection[int] | None
    axes: Collection[Axis]
    reactions: tuple[ObservationKind, ...] = REACTIONS
    level: float = 0.95


@dataclass(frozen=True, slots=True)
class ReactionTable:
    """Rates of each reaction in each cell, and what they are counted over."""

    sessions: int
    patients: int
    rates: tuple[ReactionRate, ...]


def course_clearance(course_id: int, *, actor: Actor) -> CourseOutcome:
    """The clearance of each part of a course's tattoos, grade by grade. Six queries.

    Sessions are counted that treated the part before the grade. Raises CourseUnknown.
    """
    course = (
        Course.objects.visible_to(actor)
        .prefetch_related("tattoos__parts")
        .filter(pk=course_id)
        .first()
    )
    if course is None:
        raise CourseUnknown(course=course_id)
    tattoos = list(course.tattoos.all())
    known = histories([tattoo.pk for tattoo in tattoos])
    return CourseOutcome(
        course=course, tattoos=tuple(_tattoo(one, history=known[one.pk]) for one in tattoos)
    )


def reaction_table(question: ReactionQuestion, *, actor: Actor) -> ReactionTable:
    """Reactions after the chain's own treatments. Two queries. Raises InputRefused.

    A reaction is seen after a session, not after one pass, so that it counts for every ink and
    wavelength of the session. A patient counts once in a cell.
    """
    sessions = _sessions(question, actor=actor)
    seen = _seen_after(sessions)
    treated = list(_treated(sessions, seen=seen, only=frozenset(question.reactions)))
    with input_refused():
        rates = reaction_rates(
            [part for _, part in treated],
            axes=question.axes,
            reactions=question.reactions,
            level=question.level,
        )
    return ReactionTable(
        sessions=len({session_id for session_id, _ in treated}),
        patients=len({part.patient for _, part in treated}),
        rates=rates,
    )


def _tattoo(tattoo: Tattoo, *, history: History) -> TattooOutcome:
    sessions = history.sessions()
    parts = []
    for part in tattoo.parts.all():
        key = part_key(part.colour, technique=part.technique)
        own = [stored for stored in history.grades if stored.grade.part == key]
        over_time = clearance_over_time(
            [stored.grade for stored in own],
            treated_on=[one.treated_on for one in sessions if key in one.matches],
        )
        parts.append(
            PartOutcome(
                part=part,
                key=key,
                clearance=over_time[0] if over_time else None,
                grade_ids=tuple(stored.pk for stored in own),
            )
        )
    return TattooOutcome(
        tattoo=tattoo,
        treated_on=tuple(one.treated_on for one in sessions),
        parts=tuple(parts),
    )


def _sessions(question: ReactionQuestion, *, actor: Actor) -> QuerySet[Session]:
    rows: QuerySet[Session] = Session.objects.visible_to(actor).filter(status__in=TREATED)
    if question.treated_from is not None:
        rows = rows.filter(treated_on__gte=question.treated_from)
    if question.treated_until is not None:
        rows = rows.filter(treated_on__lt=question.treated_until)
    if question.clinic_ids is not None:
        rows = rows.filter(clinic__in=question.clinic_ids)
    return rows


def _seen_after(sessions: QuerySet[Session]) -> Mapping[int, set[ObservationKind]]:
    found: dict[int, set[ObservationKind]] = defaultdict(set)
    rows = (
        Observation.objects.filter(session__in=sessions.order_by())
        .exclude(status=ObservationStatus.ENTERED_IN_ERROR)
        .values_list("session", "kind")
    )
    for session_id, kind in rows:
        found[session_id].add(ObservationKind(kind))
    return found


def _treated(
    sessions: QuerySet[Session],
    *,
    seen: Mapping[int, set[ObservationKind]],
    only: frozenset[ObservationKind],
) -> Iterable[tuple[int, TreatedPart]]:
    """Each (wavelength, colour) of each session once, with what the skin showed after it."""
    through: Any = TreatmentPass.parts.through
    rows = through.objects.filter(treatmentpass__session__in=sessions.order_by()).values_list(
        "treatmentpass__session",
        "treatmentpass__session__course__patient",
        "treatmentpass__session__course__patient__skin_type",
        "treatmentpass__line__wavelength_nm",
        "tattoopart__colour",
        "treatmentpass__responses",
    )
    reactions: dict[int, set[ObservationKind]] = defaultdict(set)
    cells: dict[tuple[int, int, int, int, str], None] = {}
    for session_id, patient_id, skin_type, nm, colour, responses in rows:
        cells[session_id, patient_id, skin_type, nm, colour] = None
        reactions[session_id] |= _at_once(responses)
    for session_id, patient_id, skin_type, nm, colour in cells:
        shown = (reactions[session_id] | seen.get(session_id, set())) & only
        yield (
            session_id,
            TreatedPart(
                patient=str(patient_id),
                wavelength_nm=nm,
                skin_type=SkinType(skin_type),
                colour=InkColour(colour),
                reactions=frozenset(shown),
            ),
        )


def _at_once(responses: Iterable[str]) -> set[ObservationKind]:
    """What the skin did during the passes, as what it is when it is seen later."""
    return {
        RESPONSE_FINDINGS[SkinResponse(code)]
        for code in responses
        if SkinResponse(code) in RESPONSE_FINDINGS
    }
