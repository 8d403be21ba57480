"""Row locks of courses, always taken in one order.

Patient, course, tattoo, appointment, session, observation, healing window, then the laser and,
last of all, resources.
"""

from collections.abc import Iterable
from datetime import datetime

from core.db import lock_rows
from courses.models import (
    Appointment,
    ContactPoint,
    Course,
    HealingWindow,
    Observation,
    Patient,
    Session,
    Tattoo,
)
from courses.vocabulary import AppointmentStatus


def lock_patient(*, pk: int) -> Patient | None:
    """Lock one patient until the transaction ends; None when there is none.

    It stands for all the patient's tattoos: which course treats which is decided under it.
    """
    return next(iter(lock_rows(Patient.objects.filter(pk=pk))), None)


def lock_contact_point(*, pk: int) -> ContactPoint | None:
    """Lock one contact point until the transaction ends; None when there is none."""
    return next(iter(lock_rows(ContactPoint.objects.filter(pk=pk))), None)


def lock_tattoo(*, pk: int) -> Tattoo | None:
    """Lock one tattoo, with its parts and grades, until the transaction ends; None without one."""
    return next(iter(lock_rows(Tattoo.objects.filter(pk=pk))), None)


def lock_courses(pks: Iterable[int]) -> list[Course]:
    """Lock several courses in the order of their keys."""
    return lock_rows(Course.objects.filter(pk__in=list(pks)))


def lock_observation(*, pk: int) -> Observation | None:
    """Lock one observation until the transaction ends; None when there is none."""
    return next(iter(lock_rows(Observation.objects.filter(pk=pk))), None)


def lock_course(*, pk: int) -> Course | None:
    """Lock one course until the transaction ends; None when there is none."""
    return next(iter(lock_rows(Course.objects.filter(pk=pk))), None)


def lock_appointment(*, pk: int) -> Appointment | None:
    """Lock one appointment until the transaction ends; None when there is none."""
    return next(iter(lock_rows(Appointment.objects.filter(pk=pk))), None)


def lock_session(*, pk: int) -> Session | None:
    """Lock one session until the transaction ends; None when there is none."""
    return next(iter(lock_rows(Session.objects.filter(pk=pk))), None)


def lock_healing_window(*, pk: int) -> HealingWindow | None:
    """Lock one healing window until the transaction ends; None when there is none."""
    return next(iter(lock_rows(HealingWindow.objects.filter(pk=pk))), None)


def lock_expired_holds(*, now: datetime, limit: int) -> list[Appointment]:
    """Lock holds whose time is over, skipping those that others have locked."""
    expired = Appointment.objects.filter(
        status=AppointmentStatus.PROPOSED, hold_expires_at__lte=now
    ).order_by("pk")
    return list(expired.select_for_update(of=("self",), no_key=True, skip_locked=True)[:limit])
