"""Recalls appear: when a window closes, when a visit comes near, when somebody was missed."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from clinics.hours.wall_time import zone_named
from core.db import command, step
from courses import locks
from courses.models import Appointment, Course, HealingWindow, Recall
from courses.selectors.recalls.missed import missed_courses
from courses.selectors.recalls.readiness import (
    appointment_occasion,
    ready_windows,
    standing_appointment,
)
from courses.selectors.recalls.verdict import Unwanted, still_wanted
from courses.services.healing import window_close_if_due
from courses.services.recalls.claims import recall_revoke
from courses.services.recalls.contact import message_plan
from courses.timing import call_again_at, invitation_due, reminder_due
from courses.vocabulary import (
    AppointmentStatus,
    CourseStatus,
    RecallKind,
    RequestStatus,
    WindowState,
)

WINDOW_CLOSED: Final = "window-closed"
DAYS_BEFORE: Final = "three-days-before"
MISSED: Final = "missed"


@dataclass(frozen=True, slots=True)
class Closing:
    """A window was closed; with it, perhaps, a recall appeared."""

    window_id: int
    recall: Recall | None


@command
def window_close(*, window_id: int, now: datetime) -> Closing | None:
    """Close a window whose time has come and plan the recall, in one transaction.

    None when there is nothing to do: somebody has it, it was moved, or is held by what is known.
    """
    claimed = locks.lock_due_window(pk=window_id, now=now)
    if claimed is None:
        return None
    window = window_close_if_due(window_id=claimed.pk, now=now)
    if window.state != WindowState.CLOSED:
        return None
    return Closing(window_id=window.pk, recall=_recall_of_closing(window, now=now))


@command
def reminder_plan(*, appointment_id: int, now: datetime) -> Recall | None:
    """Plan the reminder of a booked appointment of a running course, once for each time it has."""
    [course_id] = Appointment.objects.filter(pk=appointment_id).values_list("course_id", flat=True)
    course = locks.lock_course(pk=course_id)
    if course is None or not _can_be_told(course):
        return None
    appointment = Appointment.objects.select_related("clinic").get(pk=appointment_id)
    return _remind(course, appointment, now=now)


@command
def recall_plan_missed(*, course_id: int, now: datetime) -> Recall | None:
    """Invite a patient whom nobody told, tomorrow at the civil hour; None when that was wrong."""
    locks.lock_course(pk=course_id)
    course = missed_courses([course_id], now=now).select_related("clinic", "patient").first()
    ready = ready_windows(course) if course else frozenset()
    if course is None or not ready:
        return None
    window = HealingWindow.objects.filter(pk__in=ready).order_by("-closes_at", "-pk")[0]
    told_before = course.recalls.filter(kind=RecallKind.INVITATION).count()
    return _plan(
        Recall(
            course=course,
            window=window,
            kind=RecallKind.INVITATION,
            step=MISSED,
            occasion=f"course:{course.pk}:{told_before}",
            due_at=call_again_at(now, zone=zone_named(course.clinic.time_zone)),
        ),
        now=now,
    )


@command
def recall_resume(*, recall_id: int, now: datetime) -> Recall | None:
    """Take up a recall again whose patient can be reached by now, or end it when it is not wanted.

    None when it no longer waits.
    """
    recall = locks.lock_recall(pk=recall_id)
    if recall is None or recall.status != RequestStatus.ON_HOLD:
        return None
    wanted = still_wanted(recall, now=now)
    if isinstance(wanted, Unwanted):
        recall_revoke(recall=recall, reason=wanted.reason)
        return None
    recall.status, recall.status_reason = RequestStatus.ACTIVE, ""
    recall.save()
    message_plan(recall=recall, now=now)
    return recall


@command
def recall_end_unwanted(*, recall_id: int, now: datetime) -> bool:
    """End a recall on hold that nobody needs to be told of any more; whether it was one."""
    recall = locks.lock_recall(pk=recall_id)
    if recall is None or recall.status != RequestStatus.ON_HOLD:
        return False
    wanted = still_wanted(recall, now=now)
    if isinstance(wanted, Unwanted):
        recall_revoke(recall=recall, reason=wanted.reason)
    return isinstance(wanted, Unwanted)


@step
def _recall_of_closing(window: HealingWindow, *, now: datetime) -> Recall | None:
    course = window.course
    if not _can_be_told(course) or window.pk not in ready_windows(course):
        return None
    standing = standing_appointment(course, now=now)
    if standing is None or standing.status == AppointmentStatus.PROPOSED:
        return _invite(window, now=now)
    return _remind(course, standing, now=now, window=window)


def _can_be_told(course: Course) -> bool:
    return course.status == CourseStatus.ACTIVE and not course.patient.deceased


@step
def _invite(window: HealingWindow, *, now: datetime) -> Recall | None:
    if window.earliest_on is None:
        return None
    zone = zone_named(window.session.clinic.time_zone)
    return _plan(
        Recall(
            course=window.course,
            window=window,
            kind=RecallKind.INVITATION,
            step=WINDOW_CLOSED,
            occasion=f"window:{window.pk}:{window.number}",
            due_at=invitation_due(window.earliest_on, zone=zone),
        ),
        now=now,
    )


@step
def _remind(
    course: Course,
    appointment: Appointment,
    *,
    now: datetime,
    window: HealingWindow | None = None,
) -> Recall | None:
    if appointment.status != AppointmentStatus.BOOKED or appointment.starts_at <= now:
        return None
    zone = zone_named(appointment.clinic.time_zone)
    return _plan(
        Recall(
            course=course,
            window=window,
            appointment=appointment,
            kind=RecallKind.REMINDER,
            step=DAYS_BEFORE,
            occasion=appointment_occasion(appointment),
            due_at=reminder_due(appointment.starts_at, zone=zone, now=now),
        ),
        now=now,
    )


@step
def _plan(recall: Recall, *, now: datetime) -> Recall | None:
    """Write the recall with its first message; None when it is there already.

    The course is locked, so that looking first is enough; the unique key has the last word.
    """
    same = Recall.objects.filter(kind=recall.kind, step=recall.step, occasion=recall.occasion)
    if same.exists():
        return None
    recall.save(force_insert=True)
    message_plan(recall=recall, now=now)
    return recall
