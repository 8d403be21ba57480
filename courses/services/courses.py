"""Courses of treatment: planned, begun, paused and ended, each step with its reason."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any, Final

from clinics.access import Actor
from clinics.hours import local_date, zone_named
from core.db import command, constraint_as, step
from core.transitions import allows
from courses import locks, transitions
from courses.errors import (
    ConsentMissing,
    CourseFrozen,
    CourseHasAppointments,
    CourseHasSessions,
    CourseUnknown,
    FieldsMalformed,
    GoalNotReached,
    NeverTreat,
    PatientUnknown,
    StatusStepRefused,
    TattooInRunningCourse,
    field_malformed,
)
from courses.models import Course, Patient, Tattoo, TattooPart
from courses.science.grading import CLEAR_FROM
from courses.selectors.appointments import course_open_appointments
from courses.vocabulary import CourseEnd, CourseGoal, CourseStatus, SessionStatus

RUNNING: Final = (CourseStatus.ACTIVE, CourseStatus.ON_HOLD)
REVOKED_BECAUSE: Final = frozenset(CourseEnd) - {CourseEnd.GOAL_REACHED, CourseEnd.ENTERED_IN_ERROR}


@command
def course_create(
    *, patient_id: int, tattoo_ids: Sequence[int], fields: Mapping[str, Any], actor: Actor
) -> Course:
    """Draft a course for one or more tattoos of one patient.

    Raises PatientUnknown, FieldsMalformed (a tattoo of another patient, a target that does not go
    with the goal).
    """
    patient = locks.lock_patient(pk=patient_id)
    if patient is None or patient.chain_id != actor.chain_id:
        raise PatientUnknown(patient=patient_id)
    course = Course(chain_id=actor.chain_id, patient=patient, **fields)
    course.target_clearance = _target(course.goal, fields.get("target_clearance"))
    course.save(force_insert=True)
    course.tattoos.set(_own_tattoos(tattoo_ids, patient=patient))
    return course


@command
def course_change(
    *,
    course_id: int,
    changes: Mapping[str, Any],
    tattoo_ids: Sequence[int] | None,
    expected_version: int | None,
    actor: Actor,
) -> Course:
    """Change a draft; of a running course the clinic, the goal and the day of consent only.

    Raises CourseUnknown, Stale, CourseFrozen, FieldsMalformed.
    """
    course = _locked(course_id, actor=actor, expected_version=expected_version)
    if course.status not in {CourseStatus.DRAFT, *RUNNING}:
        raise CourseFrozen(course=course.pk, status=course.status)
    if tattoo_ids is not None:
        _change_tattoos(course, tattoo_ids)
    for name, value in changes.items():
        setattr(course, name, value)
    if changes.keys() & {"goal", "target_clearance"}:
        given = changes.get("target_clearance")
        kept = course.target_clearance if course.goal == CourseGoal.LIGHTEN else None
        course.target_clearance = _target(course.goal, kept if given is None else given)
    if course.status != CourseStatus.DRAFT and course.consented_on is None:
        raise ConsentMissing(course=course.pk)
    course.save()
    return course


@step
def _change_tattoos(course: Course, tattoo_ids: Sequence[int]) -> None:
    if set(tattoo_ids) == set(course.tattoos.values_list("pk", flat=True)):
        return
    if course.status != CourseStatus.DRAFT:
        raise CourseFrozen(
            "The tattoos of a course that has begun stay as they are.", course=course.pk
        )
    course.tattoos.set(_own_tattoos(tattoo_ids, patient=course.patient))
    course.note_change()


@command
def course_activate(
    *,
    course_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Course:
    """Begin a drafted course.

    Its patient has consented, and none of its tattoos stands in another running course. Raises
    CourseUnknown, Stale, StatusStepRefused, ConsentMissing, NeverTreat, TattooInRunningCourse.
    """
    course = _locked(course_id, actor=actor, expected_version=expected_version)
    _require_status(course, CourseStatus.DRAFT, wanted=CourseStatus.ACTIVE)
    today = local_date(now, zone_named(course.clinic.time_zone))
    if course.consented_on is None or course.consented_on > today:
        raise ConsentMissing(course=course.pk, consented_on=_iso(course.consented_on))
    _refuse_never(course)
    _refuse_double(course)
    course.started_on = today
    return _step_to(course, CourseStatus.ACTIVE, reason=reason)


@command
def course_hold(
    *,
    course_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Course:
    """Pause an active course: nothing is booked or treated meanwhile. What is booked stays.

    Raises CourseUnknown, Stale, StatusStepRefused.
    """
    del now
    course = _locked(course_id, actor=actor, expected_version=expected_version)
    return _step_to(course, CourseStatus.ON_HOLD, reason=reason)


@command
def course_resume(
    *,
    course_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Course:
    """Go on with a paused course. Raises CourseUnknown, Stale, StatusStepRefused, NeverTreat."""
    del now
    course = _locked(course_id, actor=actor, expected_version=expected_version)
    _require_status(course, CourseStatus.ON_HOLD, wanted=CourseStatus.ACTIVE)
    _refuse_never(course)
    return _step_to(course, CourseStatus.ACTIVE, reason=reason)


@command
def course_complete(
    *,
    course_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Course:
    """End a course whose goal is reached: every part is marked as gone.

    Raises CourseUnknown, Stale, StatusStepRefused, GoalNotReached, CourseHasAppointments.
    """
    course = _locked(course_id, actor=actor, expected_version=expected_version)
    _require_step(course, CourseStatus.COMPLETED)
    left = TattooPart.objects.filter(tattoo__courses=course, cleared_on__isnull=True)
    ids = sorted(left.values_list("pk", flat=True))
    if ids:
        raise GoalNotReached(course=course.pk, parts=ids)
    return _end(
        course,
        CourseStatus.COMPLETED,
        end_reason=CourseEnd.GOAL_REACHED,
        reason=reason,
        now=now,
    )


@command
def course_revoke(
    *,
    course_id: int,
    end_reason: CourseEnd,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Course:
    """End a course before its goal is reached, and say why.

    Raises CourseUnknown, Stale, StatusStepRefused, FieldsMalformed, CourseHasAppointments.
    """
    if end_reason not in REVOKED_BECAUSE:
        raise field_malformed(
            "/end_reason",
            code="end_reason_unfit",
            detail=f"One of: {', '.join(sorted(REVOKED_BECAUSE))}.",
        )
    course = _locked(course_id, actor=actor, expected_version=expected_version)
    return _end(course, CourseStatus.REVOKED, end_reason=end_reason, reason=reason, now=now)


@command
def course_enter_in_error(
    *,
    course_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Course:
    """Mark a course that should never have been there. Nothing was treated in it.

    Raises CourseUnknown, Stale, StatusStepRefused, CourseHasSessions, CourseHasAppointments.
    """
    course = _locked(course_id, actor=actor, expected_version=expected_version)
    sessions = course.sessions.exclude(status=SessionStatus.ENTERED_IN_ERROR)
    if sessions.exists():
        raise CourseHasSessions(course=course.pk, sessions=sorted(sessions.values_list(flat=True)))
    return _end(
        course,
        CourseStatus.ENTERED_IN_ERROR,
        end_reason=CourseEnd.ENTERED_IN_ERROR,
        reason=reason,
        now=now,
    )


@step
def _locked(course_id: int, *, actor: Actor, expected_version: int | None) -> Course:
    """The course, under the lock of its patient: two courses of one tattoo wait in line."""
    found = Course.objects.visible_to(actor).filter(pk=course_id)
    for patient_id in found.values_list("patient", flat=True):
        locks.lock_patient(pk=patient_id)
    course = locks.lock_course(pk=course_id)
    if course is None or course.chain_id != actor.chain_id:
        raise CourseUnknown(course=course_id)
    course.check_version(expected_version)
    return course


def _require_step(course: Course, wanted: CourseStatus) -> None:
    if not allows(transitions.COURSE, old=course.status, new=wanted):
        raise StatusStepRefused(course=course.pk, status=course.status, wanted=wanted)


def _require_status(course: Course, present: CourseStatus, *, wanted: CourseStatus) -> None:
    if course.status != present:
        raise StatusStepRefused(course=course.pk, status=course.status, wanted=wanted)


@step
def _step_to(course: Course, status: CourseStatus, *, reason: str) -> Course:
    _require_step(course, status)
    refusal = StatusStepRefused(course=course.pk, status=course.status, wanted=status)
    course.status = status
    course.status_reason = reason.strip()
    with constraint_as(courses_course_status_step=refusal):
        course.save()
    return course


@step
def _end(
    course: Course, status: CourseStatus, *, end_reason: CourseEnd, reason: str, now: datetime
) -> Course:
    _require_step(course, status)
    standing = course_open_appointments(course, now=now).order_by("pk")
    ids = list(standing.values_list("pk", flat=True))
    if ids:
        raise CourseHasAppointments(course=course.pk, appointments=ids)
    course.ended_on = local_date(now, zone_named(course.clinic.time_zone))
    course.end_reason = end_reason
    return _step_to(course, status, reason=reason)


def _refuse_never(course: Course) -> None:
    if course.patient.gold_therapy_ever:
        raise NeverTreat(
            "Gold medication at any time in life rules out short laser pulses.",
            course=course.pk,
            rule="healing.gold",
        )


@step
def _refuse_double(course: Course) -> None:
    """A tattoo stands in one running course at a time. The patient is locked."""
    taken = (
        Tattoo.objects.filter(courses=course)
        .filter(courses__in=Course.objects.filter(status__in=RUNNING).exclude(pk=course.pk))
        .distinct()
    )
    tattoos = sorted(taken.values_list("pk", flat=True))
    if tattoos:
        others = Course.objects.filter(tattoos__in=tattoos, status__in=RUNNING).distinct()
        raise TattooInRunningCourse(
            course=course.pk,
            tattoos=tattoos,
            courses=sorted(others.exclude(pk=course.pk).values_list("pk", flat=True)),
        )


@step
def _own_tattoos(ids: Iterable[int], *, patient: Patient) -> list[Tattoo]:
    wanted = list(dict.fromkeys(ids))
    found = {tattoo.pk: tattoo for tattoo in patient.tattoos.filter(pk__in=wanted)}
    errors = [
        {
            "pointer": f"/tattoos/{index}",
            "code": "does_not_exist",
            "detail": f"The patient has no tattoo {pk}.",
        }
        for index, pk in enumerate(wanted)
        if pk not in found
    ]
    if errors:
        raise FieldsMalformed(errors[0]["detail"], errors=errors)
    return list(found.values())


def _target(goal: str, given: float | None) -> float:
    if goal == CourseGoal.CLEAR:
        if given not in (None, CLEAR_FROM):
            raise field_malformed(
                "/target_clearance",
                code="clear-has-no-target",
                detail=f"To clear means {CLEAR_FROM:g}; leave the target out or lighten.",
            )
        return CLEAR_FROM
    if given is None:
        raise field_malformed(
            "/target_clearance",
            code="lighten-needs-target",
            detail="To lighten needs a target clearance.",
        )
    if not 0 < given < CLEAR_FROM:
        raise field_malformed(
            "/target_clearance",
            code="target-range",
            detail=f"A target lies between 0 and {CLEAR_FROM:g}.",
        )
    return given


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
