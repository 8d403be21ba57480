"""Reads of appointments."""

from datetime import datetime

from django.db.models import Q, QuerySet

from courses.models import Appointment, Course
from courses.vocabulary import AppointmentStatus

OPEN = (AppointmentStatus.BOOKED, AppointmentStatus.ARRIVED, AppointmentStatus.CHECKED_IN)


def open_at(now: datetime) -> Q:
    """Appointments that stand at `now`: booked or arrived ones, and holds that have not expired."""
    return Q(status__in=OPEN) | Q(status=AppointmentStatus.PROPOSED, hold_expires_at__gt=now)


def course_open_appointments(course: Course, *, now: datetime) -> QuerySet[Appointment]:
    """The course's appointments that stand at `now`."""
    return Appointment.objects.filter(open_at(now), course=course)
