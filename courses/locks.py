"""Row locks of courses, always taken in this order: course, appointment, then resources."""

from core.db import lock_rows
from courses.models import Appointment, Course, HealingWindow, Session


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
