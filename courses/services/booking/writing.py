"""What the commands of booking share: locks, checks, and the one way an appointment is written."""

from collections.abc import Sequence
from datetime import datetime

from clinics.access import Actor
from clinics.models import Resource
from clinics.querysets import HasChain
from clinics.services.reservations import Wanted, reserve
from clinics.vocabulary import ReservationReason
from core.db import step
from core.transitions import allows
from core.vocabulary import ReservationStatus
from courses import locks, transitions
from courses.errors import (
    AppointmentUnknown,
    CourseAlreadyBooked,
    CourseNotRunning,
    CourseUnknown,
    SlotUnfit,
    StatusStepRefused,
)
from courses.models import Appointment, Course
from courses.selectors.appointments import course_sequence
from courses.selectors.sequence import comes_before, free_again_at
from courses.selectors.slots import Fitness, slot_taken, visit_fitness
from courses.selectors.spacing import follow_of
from courses.selectors.visits import Visit, VisitResources
from courses.services.booking.protection import refuse_unprotected
from courses.slots import reason_json, role_spans
from courses.vocabulary import AppointmentStatus, CourseStatus, TreatmentRole


def source_of(appointment: Appointment) -> str:
    """What the reservations of an appointment name as their source."""
    return f"appointment:{appointment.pk}"


@step
def running_course(course_id: int, *, actor: HasChain) -> Course:
    """The course, locked. Raises CourseUnknown, CourseNotRunning."""
    course = locks.lock_course(pk=course_id)
    if course is None or course.chain_id != actor.chain_id:
        raise CourseUnknown(course=course_id)
    if course.status != CourseStatus.ACTIVE:
        raise CourseNotRunning(course=course.pk, status=course.status)
    return course


@step
def locked_appointment(
    appointment_id: int,
    *,
    actor: Actor,
    version: int | None,
    action: str = "appointment.write",
) -> Appointment:
    """The appointment, locked after its course. Raises AppointmentUnknown, NotAllowed, Stale."""
    found = Appointment.objects.visible_to(actor).filter(pk=appointment_id)
    for course_id in found.values_list("course_id", flat=True):
        locks.lock_course(pk=course_id)
    appointment = locks.lock_appointment(pk=appointment_id)
    if appointment is None or appointment.course.chain_id != actor.chain_id:
        raise AppointmentUnknown(appointment=appointment_id)
    actor.require_at(appointment.clinic_id, action)
    appointment.check_version(version)
    return appointment


def require_step(appointment: Appointment, status: AppointmentStatus) -> None:
    """Give the appointment a status that may follow the one it has. Raises StatusStepRefused."""
    if not allows(transitions.APPOINTMENT, old=appointment.status, new=status):
        raise StatusStepRefused(status=appointment.status, wanted=status)
    appointment.status = status


@step
def require_fit(
    course: Course, visit: Visit, *, actor: HasChain, now: datetime, override: bool
) -> None:
    """Ask under the locks whether the visit can be. Raises SlotTaken, SlotUnfit, EyewearMissing."""
    fitness, reasons = visit_fitness(course, visit, actor=actor, now=now, override_window=override)
    if fitness is Fitness.TAKEN:
        raise slot_taken(course.pk, visit, actor=actor, now=now)
    if fitness is Fitness.UNFIT:
        raise SlotUnfit(reasons=[reason_json(reason) for reason in reasons])
    refuse_unprotected(visit, actor=actor, now=now)


@step
def put_visit(appointment: Appointment, visit: Visit, *, course: Course) -> None:
    """Put a visit on an appointment, with when the skin could be treated next. One query."""
    place = visit.place
    appointment.clinic_id = place.clinic_id
    appointment.room_id = place.room_id
    appointment.operator_id = place.operator_id
    appointment.laser_id = place.laser_id
    appointment.starts_at = visit.starts_at
    appointment.ends_at = visit.ends_at
    appointment.timeline = visit.timeline_json()
    appointment.wavelengths_nm = list(visit.wavelengths_nm)
    follow = follow_of(course, visit)
    appointment.next_earliest_at = follow.earliest_at
    appointment.next_advised_on = follow.advised_on


@step
def require_apart(
    appointment: Appointment, *, now: datetime, ignoring: Sequence[int | None] = ()
) -> None:
    """Raise CourseAlreadyBooked for a visit too close after another of the course.

    For a new one also when another follows too closely. One that is moved may leave a later one
    too early: that one is found and offered another slot. One query.
    """
    is_new = appointment.pk is None
    for other in course_sequence(appointment.course_id, now=now):
        if other.pk in {appointment.pk, *ignoring}:
            continue
        if comes_before(other, appointment):
            clash = appointment.starts_at < free_again_at(other)
        else:
            clash = is_new and other.starts_at < free_again_at(appointment)
        if clash:
            earlier = min(other, appointment, key=lambda one: one.starts_at)
            raise CourseAlreadyBooked(
                course=appointment.course_id,
                appointment=other.pk,
                starts_at=other.starts_at.isoformat(),
                earliest_at=free_again_at(earlier).isoformat(),
            )


@step
def write_visit(
    appointment: Appointment,
    visit: Visit,
    *,
    resources: VisitResources,
    now: datetime,
    locked: Sequence[Resource] = (),
) -> None:
    """Save the appointment with its handpieces and reserve all that it keeps busy, or nothing."""
    is_new = appointment.pk is None
    appointment.save()
    if is_new:
        appointment.handpieces.add(*visit.place.handpiece_ids)
    else:
        appointment.handpieces.set(visit.place.handpiece_ids)
    reserve(
        wanted=_wanted(appointment, visit, resources=resources),
        source=source_of(appointment),
        now=now,
        locked=locked,
    )


def _wanted(
    appointment: Appointment, visit: Visit, *, resources: VisitResources
) -> Sequence[Wanted]:
    held = appointment.status == AppointmentStatus.PROPOSED
    spans = role_spans(visit.timeline, start=visit.starts_at)
    return [
        Wanted(
            resource_id=resource_id,
            span=span,
            status=ReservationStatus.BUSY_TENTATIVE if held else ReservationStatus.BUSY,
            reason=ReservationReason.HOLD if held else ReservationReason.APPOINTMENT,
            expires_at=appointment.hold_expires_at if held else None,
        )
        for role in TreatmentRole
        for resource_id in resources.of(role)
        for span in spans[role]
    ]
