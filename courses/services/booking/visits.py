"""Hold, book, confirm and move visits. The database's exclusion constraint has the last word."""

from datetime import datetime

from clinics.access import Actor
from clinics.locks import lock_resources
from clinics.querysets import HasChain
from clinics.services.reservations import release, resources_held_by
from core.db import command, step
from courses.errors import HoldExpired, StatusStepRefused
from courses.models import Appointment
from courses.selectors.visits import Visit, visit_resources
from courses.services.booking.holds import Hold, refuse_hoarding
from courses.services.booking.writing import (
    locked_appointment,
    put_visit,
    require_apart,
    require_fit,
    running_course,
    source_of,
    write_visit,
)
from courses.vocabulary import AppointmentStatus


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

    Raises CourseUnknown, CourseNotRunning, CourseAlreadyBooked (too close to another visit),
    HoldQuotaReached, SlotUnfit (something or someone is not fit, or the window has not closed),
    SlotTaken (choose again), Busy (send again).
    """
    if hold:
        refuse_hoarding(actor=actor, now=now)
    course = running_course(course_id, actor=actor)
    _require_roles(actor, visit, override_reason=override_reason)
    appointment = Appointment(
        course=course,
        status=AppointmentStatus.PROPOSED if hold else AppointmentStatus.BOOKED,
        hold_expires_at=hold.expires_at(now) if hold else None,
        override_reason=override_reason,
        booked_by_id=actor.staff_id,
    )
    put_visit(appointment, visit, course=course)
    require_apart(appointment, now=now)
    resources = visit_resources(visit.place, patient_id=course.patient_id, actor=actor)
    locked = lock_resources(resources.ids())
    require_fit(course, visit, actor=actor, now=now, override=bool(override_reason))
    write_visit(appointment, visit, resources=resources, now=now, locked=locked)
    return appointment


@command
def appointment_confirm(
    *, appointment_id: int, actor: Actor, now: datetime, expected_version: int | None = None
) -> Appointment:
    """Turn a hold into a booking, if all is still fit for it.

    Raises HoldExpired, StatusStepRefused, CourseNotRunning, SlotUnfit (a lock-out or a longer
    window since), Stale.
    """
    appointment = locked_appointment(appointment_id, actor=actor, version=expected_version)
    if appointment.status != AppointmentStatus.PROPOSED:
        raise StatusStepRefused(status=appointment.status, wanted=AppointmentStatus.BOOKED)
    confirm_visit(appointment, actor=actor, now=now)
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

    A later one of the course may become too early by it: `selectors.sequence` finds that one.
    Raises as `appointment_book`, and StatusStepRefused when it is no longer open, Stale.
    """
    appointment = locked_appointment(appointment_id, actor=actor, version=expected_version)
    _require_roles(actor, visit, override_reason=override_reason)
    if appointment.status not in {AppointmentStatus.PROPOSED, AppointmentStatus.BOOKED}:
        raise StatusStepRefused(status=appointment.status, wanted=AppointmentStatus.BOOKED)
    appointment.override_reason = override_reason
    move_visit(appointment, visit, actor=actor, now=now)
    return appointment


@step
def confirm_visit(appointment: Appointment, *, actor: HasChain, now: datetime) -> None:
    """Turn a (locked) hold into a booking. Raises as `appointment_confirm`."""
    _refuse_expired(appointment, now=now)
    course = running_course(appointment.course_id, actor=actor)
    visit = Visit.of(appointment)
    resources = visit_resources(visit.place, patient_id=course.patient_id, actor=actor)
    locked = lock_resources(resources.ids())
    release(source=source_of(appointment))
    require_fit(course, visit, actor=actor, now=now, override=bool(appointment.override_reason))
    appointment.status = AppointmentStatus.BOOKED
    appointment.hold_expires_at = None
    write_visit(appointment, visit, resources=resources, now=now, locked=locked)


@step
def move_visit(appointment: Appointment, visit: Visit, *, actor: HasChain, now: datetime) -> None:
    """Give a (locked) appointment another time or place. Raises as `appointment_move`."""
    _refuse_expired(appointment, now=now)
    course = running_course(appointment.course_id, actor=actor)
    put_visit(appointment, visit, course=course)
    require_apart(appointment, now=now)
    resources = visit_resources(visit.place, patient_id=course.patient_id, actor=actor)
    # What is given up and what is wanted, in one ordered set of locks.
    locked = lock_resources({*resources.ids(), *resources_held_by(source_of(appointment))})
    release(source=source_of(appointment))
    require_fit(course, visit, actor=actor, now=now, override=bool(appointment.override_reason))
    write_visit(appointment, visit, resources=resources, now=now, locked=locked)


def _refuse_expired(appointment: Appointment, *, now: datetime) -> None:
    expires_at = appointment.hold_expires_at
    if expires_at is not None and expires_at <= now:
        raise HoldExpired(appointment=appointment.pk)


def _require_roles(actor: Actor, visit: Visit, *, override_reason: str) -> None:
    actor.require_at(visit.place.clinic_id, "appointment.write")
    if override_reason:
        actor.require_at(visit.place.clinic_id, "appointment.override")
