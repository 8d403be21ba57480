"""Hold, book, move and end appointments. The database's exclusion constraint has the last word."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from clinics.access import Actor
from clinics.locks import lock_resources
from clinics.services.reservations import Wanted, release, reserve, resources_held_by
from clinics.vocabulary import ReservationReason
from core.db import command, step
from core.transitions import allows
from core.vocabulary import ReservationStatus
from courses import locks, transitions
from courses.errors import (
    AppointmentUnknown,
    CourseAlreadyBooked,
    CourseNotRunning,
    CourseUnknown,
    HoldExpired,
    SlotUnfit,
    StatusStepRefused,
    VisitNotStarted,
)
from courses.models import Appointment, Course
from courses.selectors.appointments import course_open_appointments
from courses.selectors.slots import Fitness, slot_taken, visit_fitness
from courses.selectors.visits import Visit, VisitResources, visit_resources
from courses.slots import reason_json, role_spans
from courses.vocabulary import AppointmentStatus, CourseStatus, TreatmentRole

MAX_HOLD = timedelta(minutes=30)


@dataclass(frozen=True, slots=True)
class Hold:
    """Keep the slot for a while: the patient is still deciding."""

    minutes: int

    def expires_at(self, now: datetime) -> datetime:
        """When the slot is free again, half an hour from now at the latest."""
        return now + min(timedelta(minutes=self.minutes), MAX_HOLD)


@command
def appointment_book(
    *,
    course_id: int,
    visit: Visit,
    actor: Actor,
    now: datetime,
    hold: Hold | None = None,
    override_reason: str = "",
) -> Appointment:
    """Book (or hold) a visit of a course; all its reservations or none.

    Raises CourseUnknown, CourseNotRunning, CourseAlreadyBooked, SlotUnfit (something or someone
    is not fit, or the window has not closed), SlotTaken (choose again), Busy (send again).
    """
    course = _running_course(course_id, actor=actor)
    actor.require("appointment.write", clinic_id=visit.place.clinic_id)
    if override_reason:
        actor.require("appointment.override", clinic_id=visit.place.clinic_id)
    resources = visit_resources(visit.place, patient_id=course.patient_id, actor=actor)
    lock_resources(resources.ids())
    if course_open_appointments(course, now=now).exists():
        raise CourseAlreadyBooked(course=course.pk)
    _require_fit(course, visit, actor=actor, now=now, override=bool(override_reason))
    appointment = Appointment(
        course=course,
        status=AppointmentStatus.PROPOSED if hold else AppointmentStatus.BOOKED,
        hold_expires_at=hold.expires_at(now) if hold else None,
        override_reason=override_reason,
        booked_by_id=actor.staff_id,
    )
    _write(appointment, visit, resources=resources, now=now)
    return appointment


@command
def appointment_confirm(
    *, appointment_id: int, actor: Actor, now: datetime, expected_version: int | None = None
) -> Appointment:
    """Turn a hold into a booking. Raises HoldExpired, StatusStepRefused, Stale."""
    appointment = _locked(appointment_id, actor=actor, version=expected_version)
    if appointment.status != AppointmentStatus.PROPOSED:
        raise StatusStepRefused(status=appointment.status, wanted=AppointmentStatus.BOOKED)
    if appointment.hold_expires_at is None or appointment.hold_expires_at <= now:
        raise HoldExpired(appointment=appointment.pk)
    visit = Visit.of(appointment)
    resources = visit_resources(visit.place, patient_id=appointment.course.patient_id, actor=actor)
    lock_resources(resources.ids())
    release(source=_source(appointment))
    appointment.status = AppointmentStatus.BOOKED
    appointment.hold_expires_at = None
    _write(appointment, visit, resources=resources, now=now)
    return appointment


@command
def appointment_move(
    *,
    appointment_id: int,
    visit: Visit,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
    override_reason: str = "",
) -> Appointment:
    """Give an open appointment another time or place; what it had stays when that fails.

    Raises as `appointment_book`, and StatusStepRefused when it is no longer open, Stale.
    """
    appointment = _locked(appointment_id, actor=actor, version=expected_version)
    actor.require("appointment.write", clinic_id=visit.place.clinic_id)
    if override_reason:
        actor.require("appointment.override", clinic_id=visit.place.clinic_id)
    if appointment.status not in {AppointmentStatus.PROPOSED, AppointmentStatus.BOOKED}:
        raise StatusStepRefused(status=appointment.status, wanted=AppointmentStatus.BOOKED)
    course = _running_course(appointment.course_id, actor=actor)
    resources = visit_resources(visit.place, patient_id=course.patient_id, actor=actor)
    # What is given up and what is wanted, in one ordered set of locks.
    lock_resources({*resources.ids(), *resources_held_by(_source(appointment))})
    release(source=_source(appointment))
    _require_fit(course, visit, actor=actor, now=now, override=bool(override_reason))
    appointment.override_reason = override_reason
    _write(appointment, visit, resources=resources, now=now)
    return appointment


@command
def appointment_cancel(
    *,
    appointment_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Appointment:
    """Cancel an open appointment and free all that it kept busy. Raises StatusStepRefused."""
    del now
    return _end(
        appointment_id,
        status=AppointmentStatus.CANCELLED,
        reason=reason,
        actor=actor,
        version=expected_version,
    )


@command
def appointment_no_show(
    *,
    appointment_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Appointment:
    """Record that the patient did not come. Raises VisitNotStarted before the visit's start."""
    appointment = _locked(appointment_id, actor=actor, version=expected_version)
    if now < appointment.starts_at:
        raise VisitNotStarted(starts_at=appointment.starts_at.isoformat())
    return _end(
        appointment_id,
        status=AppointmentStatus.NOSHOW,
        reason=reason,
        actor=actor,
        version=expected_version,
    )


@command
def appointment_arrive(
    *, appointment_id: int, actor: Actor, now: datetime, expected_version: int | None = None
) -> Appointment:
    """Record that the patient is here. Raises StatusStepRefused."""
    del now
    return _proceed(
        appointment_id, AppointmentStatus.ARRIVED, actor=actor, version=expected_version
    )


@command
def appointment_check_in(
    *, appointment_id: int, actor: Actor, now: datetime, expected_version: int | None = None
) -> Appointment:
    """Record that an arrived patient can be treated. Raises StatusStepRefused."""
    del now
    return _proceed(
        appointment_id, AppointmentStatus.CHECKED_IN, actor=actor, version=expected_version
    )


@command
def holds_expire(*, now: datetime, limit: int = 500) -> int:
    """Cancel holds whose time is over; how many there were.

    Nobody waits for this: bookings and searches do not count an expired hold.
    """
    expired = locks.lock_expired_holds(now=now, limit=limit)
    for appointment in expired:
        appointment.status = AppointmentStatus.CANCELLED
        appointment.status_reason = "hold expired"
        appointment.save()
        release(source=_source(appointment))
    return len(expired)


def _source(appointment: Appointment) -> str:
    return f"appointment:{appointment.pk}"


def _running_course(course_id: int, *, actor: Actor) -> Course:
    course = locks.lock_course(pk=course_id)
    if course is None or course.chain_id != actor.chain_id:
        raise CourseUnknown(course=course_id)
    if course.status != CourseStatus.ACTIVE:
        raise CourseNotRunning(course=course.pk, status=course.status)
    return course


@step
def _locked(
    appointment_id: int,
    *,
    actor: Actor,
    version: int | None,
    action: str = "appointment.write",
) -> Appointment:
    appointment = locks.lock_appointment(pk=appointment_id)
    if appointment is None or appointment.course.chain_id != actor.chain_id:
        raise AppointmentUnknown(appointment=appointment_id)
    actor.require(action, clinic_id=appointment.clinic_id)
    appointment.check_version(version)
    return appointment


@step
def _end(
    appointment_id: int,
    *,
    status: AppointmentStatus,
    reason: str,
    actor: Actor,
    version: int | None,
) -> Appointment:
    appointment = _locked(appointment_id, actor=actor, version=version)
    _step_to(appointment, status)
    appointment.status_reason = reason
    appointment.save()
    release(source=_source(appointment))
    return appointment


@step
def _proceed(
    appointment_id: int, status: AppointmentStatus, *, actor: Actor, version: int | None
) -> Appointment:
    appointment = _locked(appointment_id, actor=actor, version=version, action="appointment.arrive")
    _step_to(appointment, status)
    appointment.save()
    return appointment


def _step_to(appointment: Appointment, status: AppointmentStatus) -> None:
    if not allows(transitions.APPOINTMENT, old=appointment.status, new=status):
        raise StatusStepRefused(status=appointment.status, wanted=status)
    appointment.status = status


def _require_fit(
    course: Course, visit: Visit, *, actor: Actor, now: datetime, override: bool
) -> None:
    fitness, reasons = visit_fitness(course, visit, actor=actor, now=now, override_window=override)
    if fitness is Fitness.TAKEN:
        raise slot_taken(course.pk, visit, actor=actor, now=now)
    if fitness is Fitness.UNFIT:
        raise SlotUnfit(reasons=[reason_json(reason) for reason in reasons])


@step
def _write(
    appointment: Appointment, visit: Visit, *, resources: VisitResources, now: datetime
) -> None:
    place = visit.place
    appointment.clinic_id = place.clinic_id
    appointment.room_id = place.room_id
    appointment.operator_id = place.operator_id
    appointment.laser_id = place.laser_id
    appointment.starts_at = visit.starts_at
    appointment.ends_at = visit.ends_at
    appointment.timeline = visit.timeline_json()
    appointment.wavelengths_nm = list(visit.wavelengths_nm)
    appointment.save()
    appointment.handpieces.set(place.handpiece_ids)
    reserve(
        wanted=_wanted(appointment, visit, resources=resources),
        source=_source(appointment),
        now=now,
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
