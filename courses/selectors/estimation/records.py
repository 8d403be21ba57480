"""What was done to tattoos and what was seen of them, read for many at once."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final, NamedTuple

from courses.models import ClearanceGrade, Observation, TreatmentPass
from courses.science.fading.inputs import Darkening, Grade, TreatedSession
from courses.science.fading.match import FiredLine, match_for
from courses.science.ink_table import DARKENING_INKS
from courses.science.pulses import PulseClass, pulse_class
from courses.vocabulary import (
    InkColour,
    ObservationKind,
    ObservationStatus,
    SessionStatus,
    SkinResponse,
)

NS: Final = 1e-9
TREATED: Final = (SessionStatus.COMPLETED, SessionStatus.STOPPED)
HARMED: Final = frozenset(
    {
        ObservationKind.BLISTER,
        ObservationKind.EROSION,
        ObservationKind.SCAR,
        ObservationKind.TORN_EPIDERMIS,
    }
)
HARMED_AT_ONCE: Final = frozenset({SkinResponse.BLISTER, SkinResponse.TORN_EPIDERMIS})


class PartPass(NamedTuple):
    """One part under one pass."""

    tattoo_id: int
    part_id: int
    colour: str
    technique: str
    session_id: int
    course_id: int
    treated_on: date
    wavelength_nm: int
    pulse_duration_ns: float
    responses: list[str]

    @property
    def key(self) -> str:
        """What the part is called in its tattoo."""
        return part_key(self.colour, technique=self.technique)


@dataclass(frozen=True, slots=True)
class StoredGrade:
    """A grade as the fading model takes it, and its key in the records."""

    pk: int
    grade: Grade


@dataclass(slots=True)
class History:
    """One tattoo over all its courses: passes, grades in order of days, darkenings, harm.

    `harmed`: parts that blistered or scarred. Sessions entered in error are not here.
    """

    passes: list[PartPass] = field(default_factory=list)
    grades: list[StoredGrade] = field(default_factory=list)
    darkenings: list[Darkening] = field(default_factory=list)
    harmed: set[int] = field(default_factory=set)

    def sessions(self) -> tuple[TreatedSession, ...]:
        """Sessions in order; two on one day count as one, each part at its best wavelength."""
        days: dict[date, dict[str, tuple[InkColour, list[FiredLine]]]] = defaultdict(dict)
        for row in self.passes:
            picosecond = pulse_class(row.pulse_duration_ns * NS) is PulseClass.PICOSECOND
            _, lines = days[row.treated_on].setdefault(row.key, (InkColour(row.colour), []))
            lines.append(FiredLine(row.wavelength_nm, picosecond=picosecond))
        return tuple(
            TreatedSession(
                treated_on=day,
                matches={
                    key: match_for(colour, lines=lines)
                    for key, (colour, lines) in days[day].items()
                },
            )
            for day in sorted(days)
        )

    def last_treated_on(self) -> date | None:
        """The day of the last session, if there was one."""
        return max((row.treated_on for row in self.passes), default=None)


def part_key(colour: str, *, technique: str) -> str:
    """What a part is called in its tattoo, for people to read: `red solid fill`."""
    return f"{colour} {technique}".replace("_", " ")


def histories(tattoo_ids: Collection[int]) -> Mapping[int, History]:
    """The history of each of these tattoos. Three queries."""
    found = {pk: History() for pk in tattoo_ids}
    treated = list(_part_passes(tattoo_ids))
    for row in treated:
        found[row.tattoo_id].passes.append(row)
    for tattoo_id, stored in _grades(tattoo_ids):
        found[tattoo_id].grades.append(stored)
    _note_reactions(found, treated)
    return found


def sessions_done(passes: Iterable[PartPass], *, course_id: int) -> int:
    """How many sessions of one course treated something."""
    return len({row.session_id for row in passes if row.course_id == course_id})


def _part_passes(tattoo_ids: Collection[int]) -> Iterable[PartPass]:
    through: Any = TreatmentPass.parts.through
    rows = (
        through.objects.filter(
            tattoopart__tattoo__in=tattoo_ids, treatmentpass__session__status__in=TREATED
        )
        .order_by("treatmentpass__session__treated_on", "treatmentpass")
        .values_list(
            "tattoopart__tattoo",
            "tattoopart",
            "tattoopart__colour",
            "tattoopart__technique",
            "treatmentpass__session",
            "treatmentpass__session__course",
            "treatmentpass__session__treated_on",
            "treatmentpass__line__wavelength_nm",
            "treatmentpass__pulse_duration_ns",
            "treatmentpass__responses",
        )
    )
    return (PartPass(*row) for row in rows)


def _grades(tattoo_ids: Collection[int]) -> Iterable[tuple[int, StoredGrade]]:
    rows = (
        ClearanceGrade.objects.filter(part__tattoo__in=tattoo_ids)
        .order_by("graded_on", "pk")
        .values_list(
            "part__tattoo",
            "pk",
            "part__colour",
            "part__technique",
            "graded_on",
            "low",
            "high",
            "darkened",
        )
    )
    for tattoo_id, pk, colour, technique, graded_on, low, high, darkened in rows:
        key = part_key(colour, technique=technique)
        grade = Grade(key, graded_on, low, high, darkened=darkened)
        yield tattoo_id, StoredGrade(pk=pk, grade=grade)


def _note_reactions(found: Mapping[int, History], treated: Collection[PartPass]) -> None:
    """Darkenings and harm, from the passes and from what was seen after their sessions."""
    by_session: dict[int, list[PartPass]] = defaultdict(list)
    for row in treated:
        by_session[row.session_id].append(row)
        if not HARMED_AT_ONCE.isdisjoint(row.responses):
            found[row.tattoo_id].harmed.add(row.part_id)
        if SkinResponse.DARKENING in row.responses:
            _darken(found, [row], seen_on=row.treated_on)
    for session_id, kind, observed_on in _seen(by_session):
        if kind in HARMED:
            for row in by_session[session_id]:
                found[row.tattoo_id].harmed.add(row.part_id)
        else:
            _darken(found, by_session[session_id], seen_on=observed_on)


def _seen(session_ids: Collection[int]) -> Iterable[tuple[int, str, date]]:
    kinds = [*HARMED, ObservationKind.DARKENING]
    return (
        Observation.objects.filter(session__in=session_ids, kind__in=kinds)
        .exclude(status=ObservationStatus.ENTERED_IN_ERROR)
        .order_by("observed_on", "pk")
        .values_list("session", "kind", "observed_on")
    )


def _darken(found: Mapping[int, History], rows: Collection[PartPass], *, seen_on: date) -> None:
    """Which of the treated parts darkened: those that can, or all if none is known to.

    A grade of the same day that says which part darkened says it better, and counts alone.
    """
    able = [row for row in rows if InkColour(row.colour) in DARKENING_INKS] or rows
    for row in able:
        history = found[row.tattoo_id]
        graded = any(
            stored.grade.darkened and stored.grade.graded_on == seen_on for stored in history.grades
        )
        event = Darkening(part=row.key, seen_on=seen_on)
        if not graded and event not in history.darkenings:
            history.darkenings.append(event)
