"""What the fading model is told: parts, sessions, grades, goal; and what it refuses."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from math import isfinite

from courses.science.errors import InvalidInput
from courses.science.fading.model import DEFAULT_MODEL, FadingModel, Match, Prior
from courses.science.grading import CLEAR_FROM, check_grading_day
from courses.vocabulary import CourseGoal, InkColour, Technique

MAX_PARTS = 24
MAX_SESSIONS = 60
SHARE_TOLERANCE = 0.01


@dataclass(frozen=True, slots=True)
class Goal:
    """To clear (95 %) or to lighten to `target` clearance, a fraction below 0.95."""

    kind: CourseGoal = CourseGoal.CLEAR
    target: float | None = None

    @property
    def clearance(self) -> float:
        """The clearance to reach, as a fraction."""
        return CLEAR_FROM if self.target is None else self.target

    @property
    def clears(self) -> bool:
        """Whether the goal is to clear the tattoo."""
        return self.kind is CourseGoal.CLEAR


@dataclass(frozen=True, slots=True)
class Part:
    """One colour in one technique with its share of the area.

    `planned` is how well the wavelengths of the coming sessions suit it. `cleared`: a clinician
    recorded that it is gone, so it drops out of the forecast. `blister_or_scar`: it blistered or
    scarred, so a lagging outline is not put down to ink volume.
    """

    key: str
    colour: InkColour
    technique: Technique
    share: float
    planned: Match = Match.FIRST
    cleared: bool = False
    blister_or_scar: bool = False


@dataclass(frozen=True, slots=True)
class TreatedSession:
    """A session on a local day: for each part treated, how well the wavelength suited its ink."""

    treated_on: date
    matches: Mapping[str, Match]


@dataclass(frozen=True, slots=True)
class Grade:
    """A person placed a part's clearance between `low` and `high` (fractions of its ink).

    `darkened`: the ink darkened since the last grade. The part then starts anew from the most
    ink that this band allows.
    """

    part: str
    graded_on: date
    low: float
    high: float
    darkened: bool = False


@dataclass(frozen=True, slots=True)
class Darkening:
    """A part darkened and nobody has graded it since; it starts anew with all of its ink."""

    part: str
    seen_on: date


@dataclass(frozen=True, slots=True)
class FadingCase:
    """One tattoo: its parts, what was done, what was seen, and where it should end.

    Sessions stand in the order of their days, as do the grades of each part.
    """

    parts: Sequence[Part]
    prior: Prior
    sessions: Sequence[TreatedSession] = ()
    grades: Sequence[Grade] = ()
    darkenings: Sequence[Darkening] = ()
    goal: Goal = field(default_factory=Goal)
    model: FadingModel = DEFAULT_MODEL


def check_case(case: FadingCase) -> None:
    """Raise InvalidInput, naming field and rule, unless the case is one the model can take."""
    check_goal(case.goal)
    check_parts(case.parts)
    _check_sessions(case)
    for index, darkening in enumerate(case.darkenings):
        if darkening.part not in {part.key for part in case.parts}:
            raise InvalidInput(
                field=f"darkenings[{index}].part",
                rule="part-unknown",
                message=f"{darkening.part} is not a part of this tattoo.",
            )
    _check_grades(case)


def check_goal(goal: Goal) -> None:
    """Raise InvalidInput for a lightening without target or a clearing with another one."""
    if goal.kind is CourseGoal.CLEAR and goal.target not in (None, CLEAR_FROM):
        raise InvalidInput(
            field="goal.target",
            rule="clear-has-no-target",
            message="To clear means 95 %; leave the target out or choose to lighten.",
        )
    if goal.kind is CourseGoal.LIGHTEN and goal.target is None:
        raise InvalidInput(
            field="goal.target",
            rule="lighten-needs-target",
            message="To lighten needs a target clearance.",
        )
    if goal.target is not None and not (isfinite(goal.target) and 0 < goal.target <= CLEAR_FROM):
        raise InvalidInput(
            field="goal.target",
            rule="target-range",
            message=f"A target lies above 0 and is at most {CLEAR_FROM}, not {goal.target:g}.",
        )


def check_parts(parts: Sequence[Part]) -> None:
    """Raise InvalidInput, naming field and rule, unless the parts make up one tattoo."""
    if not 1 <= len(parts) <= MAX_PARTS:
        raise InvalidInput(
            field="parts", rule="parts-count", message=f"Name 1 to {MAX_PARTS} parts."
        )
    total = 0.0
    keys = set()
    for index, part in enumerate(parts):
        _check_member(part.colour, InkColour, field=f"parts[{index}].colour", rule="colour-unknown")
        _check_member(
            part.technique,
            Technique,
            field=f"parts[{index}].technique",
            rule="technique-unknown",
        )
        _check_member(part.planned, Match, field=f"parts[{index}].planned", rule="match-unknown")
        if part.key in keys:
            raise InvalidInput(
                field=f"parts[{index}].key",
                rule="part-key-unique",
                message=f"Two parts are called {part.key}.",
            )
        keys.add(part.key)
        if not isfinite(part.share) or not 0 < part.share <= 1:
            raise InvalidInput(
                field=f"parts[{index}].share",
                rule="share-range",
                message=f"A share must be above 0 and at most 1, not {part.share:g}.",
            )
        total += part.share
    if abs(total - 1) > SHARE_TOLERANCE:
        raise InvalidInput(
            field="parts",
            rule="shares-sum",
            message=f"The shares of the parts must sum to 1, not {total:g}.",
        )


def _check_member(value: object, kind: type, *, field: str, rule: str) -> None:
    if not isinstance(value, kind):
        raise InvalidInput(field=field, rule=rule, message=f"{value!r} is not known here.")


def _check_sessions(case: FadingCase) -> None:
    keys = {part.key for part in case.parts}
    if len(case.sessions) > MAX_SESSIONS:
        raise InvalidInput(
            field="sessions",
            rule="sessions-count",
            message=f"The model takes at most {MAX_SESSIONS} sessions.",
        )
    previous: date | None = None
    for index, session in enumerate(case.sessions):
        if previous is not None and session.treated_on <= previous:
            raise InvalidInput(
                field=f"sessions[{index}].treated_on",
                rule="sessions-ordered",
                message="Sessions stand in the order of their days, one a day.",
            )
        previous = session.treated_on
        for key, match in session.matches.items():
            if key not in keys:
                raise InvalidInput(
                    field=f"sessions[{index}].matches",
                    rule="part-unknown",
                    message=f"{key} is not a part of this tattoo.",
                )
            _check_member(match, Match, field=f"sessions[{index}].matches", rule="match-unknown")


def _check_grades(case: FadingCase) -> None:
    last: dict[str, Grade] = {}
    for index, grade in enumerate(case.grades):
        check_grade(grade, previous=last.get(grade.part), case=case, where=f"grades[{index}]")
        last[grade.part] = grade


def check_grade(grade: Grade, *, previous: Grade | None, case: FadingCase, where: str) -> None:
    """Raise InvalidInput, naming field and rule, unless the grade can count in this case.

    `previous`: the grade of the same part before it; `where`: its name in the input.
    """
    if grade.part not in {part.key for part in case.parts}:
        raise InvalidInput(
            field=f"{where}.part",
            rule="part-unknown",
            message=f"{grade.part} is not a part of this tattoo.",
        )
    if not 0 <= grade.low < grade.high <= 1:
        raise InvalidInput(
            field=f"{where}.low",
            rule="grade-band",
            message=f"A band runs upwards within 0 to 1, not {grade.low:g} to {grade.high:g}.",
        )
    treated = [session.treated_on for session in case.sessions]
    check_grading_day(grade.graded_on, treated_on=treated, field=f"{where}.graded_on")
    _check_order(grade, previous=previous, where=where)
    if previous and not grade.darkened and not _darkened_between(case, previous, grade):
        _check_fall(grade, previous=previous, where=where)
    _check_treated(grade, sessions=case.sessions, where=where)


def _check_order(grade: Grade, *, previous: Grade | None, where: str) -> None:
    if previous is None:
        return
    if grade.graded_on <= previous.graded_on:
        raise InvalidInput(
            field=f"{where}.graded_on",
            rule="grades-ordered",
            message="Grades of a part stand in the order of their days, one a day.",
        )


def _darkened_between(case: FadingCase, previous: Grade, grade: Grade) -> bool:
    return any(
        event.part == grade.part and previous.graded_on <= event.seen_on <= grade.graded_on
        for event in case.darkenings
    )


def _check_fall(grade: Grade, *, previous: Grade, where: str) -> None:
    fell = grade.high <= previous.high and grade.low <= previous.low
    same = grade.high == previous.high and grade.low == previous.low
    if fell and not same:
        raise InvalidInput(
            field=f"{where}.low",
            rule="ink-never-comes-back",
            message=(
                f"{grade.part} shows more ink than on {previous.graded_on}. Ink left never rises "
                "unless it darkened: correct a grade or record the darkening."
            ),
        )


def _check_treated(grade: Grade, *, sessions: Sequence[TreatedSession], where: str) -> None:
    if grade.low <= 0 or grade.darkened:
        return
    if not any(s.treated_on < grade.graded_on and grade.part in s.matches for s in sessions):
        raise InvalidInput(
            field=f"{where}.low",
            rule="grade-of-untreated-part",
            message=f"{grade.part} was not treated before {grade.graded_on} and cannot have faded.",
        )
