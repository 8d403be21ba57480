"""Clearance grades of the parts of a tattoo, and parts that are gone."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from clinics.access import Actor
from core.db import command, constraint_as, step
from courses import locks
from courses.errors import (
    GoalNotReached,
    GradeTaken,
    GradeUnknown,
    InputRefused,
    PartUnknown,
    field_malformed,
    input_refused,
)
from courses.models import ClearanceGrade, Course, Session, TattooPart
from courses.science.grading import CLEAR_FROM, check_grading_day
from courses.services.observations import darkening_note
from courses.services.tattoos import lock_courses_of
from courses.vocabulary import CourseGoal, CourseStatus, SessionStatus

EARTH_AHEAD: Final = timedelta(hours=14)
RUNNING: Final = (CourseStatus.ACTIVE, CourseStatus.ON_HOLD)
TREATED: Final = (SessionStatus.COMPLETED, SessionStatus.STOPPED)


@command
def grade_record(
    *, part_id: int, fields: Mapping[str, Any], actor: Actor, now: datetime
) -> ClearanceGrade:
    """Record how much of a part has gone, as a band.

    Refused: on a day of treatment (whitening hides ink), in the 28 days after a session, before
    the first one, and less clearance than before, unless the ink darkened. A darkening is also
    noted as an observation, which holds the healing window. Raises PartUnknown, FieldsMalformed,
    InputRefused, GradeTaken.
    """
    part = _locked_part(part_id, actor=actor)
    grade = ClearanceGrade(part=part, graded_by_id=actor.staff_id, **fields)
    _check_grade(grade, now=now)
    with constraint_as(clearancegrade_once_a_day=GradeTaken(part=part.pk)):
        grade.save(force_insert=True)
    if grade.darkened:
        _note_darkening(grade, actor=actor, now=now)
    return grade


@command
def grade_correct(
    *,
    grade_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> ClearanceGrade:
    """Correct a grade; the same rules hold. Raises GradeUnknown, Stale and as `grade_record`."""
    grade = _locked_grade(grade_id, actor=actor, expected_version=expected_version)
    darkened_before = grade.darkened
    for name, value in changes.items():
        setattr(grade, name, value)
    _check_grade(grade, now=now)
    with constraint_as(clearancegrade_once_a_day=GradeTaken(part=grade.part_id)):
        grade.save()
    if grade.darkened and not darkened_before:
        _note_darkening(grade, actor=actor, now=now)
    return grade


@command
def grade_remove(*, grade_id: int, expected_version: int | None, actor: Actor) -> None:
    """Remove a grade that was given by mistake, e.g. to the wrong part.

    Raises GradeUnknown, Stale.
    """
    _locked_grade(grade_id, actor=actor, expected_version=expected_version).delete()


@command
def part_clear(*, part_id: int, actor: Actor, expected_version: int | None = None) -> TattooPart:
    """Mark a part as gone: its newest grade reaches the goal of its running course (or 95 %).

    Safe to repeat. Raises PartUnknown, Stale, GoalNotReached.
    """
    part = _locked_part(part_id, actor=actor)
    part.check_version(expected_version)
    if part.cleared_on is not None:
        return part
    newest = part.grades.order_by("-graded_on", "-pk").first()
    target = _target_of(part)
    if newest is None or newest.low < target:
        raise GoalNotReached(
            f"The newest grade must reach {target:g} at its lower end.",
            part=part.pk,
            target_clearance=target,
            newest_grade=None if newest is None else {"low": newest.low, "high": newest.high},
        )
    part.cleared_on = newest.graded_on
    part.save()
    return part


@command
def part_reopen(*, part_id: int, actor: Actor, expected_version: int | None = None) -> TattooPart:
    """Take back that a part is gone. Safe to repeat. Raises PartUnknown, Stale."""
    part = _locked_part(part_id, actor=actor)
    part.check_version(expected_version)
    if part.cleared_on is not None:
        part.cleared_on = None
        part.save()
    return part


@step
def _locked_part(part_id: int, *, actor: Actor) -> TattooPart:
    """The part, under the locks of its running courses and its tattoo."""
    found = TattooPart.objects.visible_to(actor).filter(pk=part_id).values_list("tattoo", flat=True)
    for tattoo_id in found:
        lock_courses_of(tattoo_id, actor=actor)
        locks.lock_tattoo(pk=tattoo_id)
        return TattooPart.objects.get(pk=part_id)
    raise PartUnknown(tattoo_part=part_id)


@step
def _locked_grade(grade_id: int, *, actor: Actor, expected_version: int | None) -> ClearanceGrade:
    actor.require("grade.correct")
    found = ClearanceGrade.objects.visible_to(actor).filter(pk=grade_id)
    for part_id in found.values_list("part", flat=True):
        part = _locked_part(part_id, actor=actor)
        grade = part.grades.get(pk=grade_id)
        # Whoever writes it has locked its part.
        grade.note_as_locked()
        grade.check_version(expected_version)
        return grade
    raise GradeUnknown(clearance_grade=grade_id)


@step
def _check_grade(grade: ClearanceGrade, *, now: datetime) -> None:
    if grade.high <= grade.low:
        raise field_malformed(
            "/high", code="band-ordered", detail="A band runs from low up to high."
        )
    if grade.graded_on > (now + EARTH_AHEAD).date():
        raise field_malformed(
            "/graded_on", code="in_the_future", detail="A grade is of what was seen."
        )
    treated = Session.objects.filter(
        passes__parts__tattoo=grade.part.tattoo_id, status__in=TREATED
    ).values_list("treated_on", flat=True)
    with input_refused():
        check_grading_day(grade.graded_on, treated_on=set(treated))
    others = grade.part.grades.exclude(pk=grade.pk)
    before = others.filter(graded_on__lt=grade.graded_on).order_by("-graded_on").first()
    after = others.filter(graded_on__gt=grade.graded_on).order_by("graded_on").first()
    if before is not None:
        _refuse_fall(before, grade)
    if after is not None:
        _refuse_fall(grade, after)


def _refuse_fall(earlier: ClearanceGrade, later: ClearanceGrade) -> None:
    """Clearance never falls unless the ink darkened: the later band may not lie below."""
    falls = (
        later.high <= earlier.high
        and later.low <= earlier.low
        and (later.low, later.high) != (earlier.low, earlier.high)
    )
    if falls and not later.darkened:
        detail = (
            f"{later.low:g}-{later.high:g} on {later.graded_on} is less than "
            f"{earlier.low:g}-{earlier.high:g} on {earlier.graded_on}. Ink never comes back "
            "unless it darkened: correct a grade or say that it darkened."
        )
        raise InputRefused(
            detail, errors=[{"pointer": "/low", "code": "ink-never-comes-back", "detail": detail}]
        )


@step
def _note_darkening(grade: ClearanceGrade, *, actor: Actor, now: datetime) -> None:
    """Darkened ink is another ink: the window is held, and the part is there again."""
    part = grade.part
    if part.cleared_on is not None:
        part.cleared_on = None
        part.save()
    for course in Course.objects.filter(tattoos=part.tattoo_id, status__in=RUNNING):
        darkening_note(course=course, part=part, observed_on=grade.graded_on, actor=actor, now=now)


def _target_of(part: TattooPart) -> float:
    running = Course.objects.filter(tattoos=part.tattoo_id, status__in=RUNNING).first()
    if running is None or running.goal == CourseGoal.CLEAR:
        return CLEAR_FROM
    return float(running.target_clearance)
