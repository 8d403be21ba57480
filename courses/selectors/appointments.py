"""Reads of appointments."""

from datetime import datetime
from typing import Final

from django.db.models import Q, QuerySet

from core.prepared import Prepared
from courses.models import Appointment, Course
from courses.vocabulary import AppointmentStatus

OPEN = (AppointmentStatus.BOOKED, AppointmentStatus.ARRIVED, AppointmentStatus.CHECKED_IN)

STANDING: Final = Prepared("""
    SELECT id, starts_at, next_earliest_at, series_id, position FROM courses_appointment
    WHERE course_id = %(course)s::bigint AND (
        status = ANY (%(open)s::text[])
        OR (status = %(held)s::text AND hold_expires_at > %(now)s::timestamptz)
    )
    ORDER BY starts_at, id
""")


def held_at(now: datetime) -> Q:
    """Appointments that are held at `now`: holds that have not expired."""
    return Q(status=AppointmentStatus.PROPOSED, hold_expires_at__gt=now)


def open_at(now: datetime) -> Q:
    """Appointments that stand at `now`: booked or arrived ones, and holds that have not expired."""
    return Q(status__in=OPEN) | held_at(now)


def stands(appointment: Appointment, *, now: datetime) -> bool:
    """Whether the appointment is one of `open_at`."""
    if appointment.status in OPEN:
        return True
    expires_at = appointment.hold_expires_at
    held = appointment.status == AppointmentStatus.PROPOSED
    return held and expires_at is not None and expires_at > now


def course_open_appointments(course: Course, *, now: datetime) -> QuerySet[Appointment]:
    """The course's appointments that stand at `now`."""
    return Appointment.objects.filter(open_at(now), course=course)


def course_sequence(course_id: int, *, now: datetime) -> list[Appointment]:
    """The same by their start, read only as far as their order and distance need. One query."""
    rows = STANDING.rows(
        course=course_id, open=list(OPEN), held=AppointmentStatus.PROPOSED, now=now
    )
    return [
        Appointment(
            pk=pk,
            course_id=course_id,
            starts_at=starts_at,
            next_earliest_at=next_earliest_at,
            series_id=series_id,
            position=position,
        )
        for pk, starts_at, next_earliest_at, series_id, position in rows
    ]


def holds_of(staff_id: int, *, now: datetime) -> QuerySet[Appointment]:
    """The slots that a member of staff keeps held at `now`."""
    return Appointment.objects.filter(held_at(now), booked_by=staff_id)
