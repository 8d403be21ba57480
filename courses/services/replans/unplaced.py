"""What becomes of visits without a new slot is a person's choice: cancelled, or waiting."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime

from clinics.access import Actor
from clinics.locks import lock_resources
from clinics.services.reservations import resources_held_by
from core.db import command, step
from courses import locks
from courses.errors import RowNotUnplaced, StatusStepRefused
from courses.models import Appointment, Replan, ReplanRow, WaitingListEntry
from courses.selectors.appointments import stands
from courses.selectors.replanning.runs import proposed_rows
from courses.services.booking.outcomes import end_visit
from courses.services.booking.writing import source_of
from courses.services.replans.asking import locked_replan
from courses.services.waiting_list import Wait, waiting_list_add
from courses.vocabulary import (
    AppointmentStatus,
    ReplanRowStatus,
    ReplanStatus,
    UnplacedChoice,
    WaitingStatus,
)

BECOMES = {
    UnplacedChoice.CANCEL: ReplanRowStatus.CANCELLED,
    UnplacedChoice.WAITING_LIST: ReplanRowStatus.WAITING,
}


@command
def replan_settle(
    *,
    replan_id: int,
    appointment_ids: Collection[int],
    choice: UnplacedChoice,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Replan:
    """Cancel visits without a new slot; with WAITING_LIST their courses wait for another.

    Before or after the proposal is applied; all of them or none. Raises ReplanUnknown,
    NotAllowed, Stale, StatusStepRefused, RowNotUnplaced.
    """
    replan = locked_replan(replan_id, actor=actor, version=expected_version)
    if replan.status not in {ReplanStatus.PROPOSED, ReplanStatus.APPLIED}:
        raise StatusStepRefused(status=replan.status, wanted=ReplanStatus.APPLIED)
    rows = list(proposed_rows(replan).filter(appointment__in=appointment_ids))
    unplaced = [row for row in rows if row.status == ReplanRowStatus.UNPLACED]
    if wrong := {*appointment_ids} - {row.appointment_id for row in unplaced}:
        raise RowNotUnplaced(appointments=sorted(wrong))
    appointments = lock_visits(row.appointment_id for row in unplaced)
    lock_resources(resources_held_by(*map(source_of, appointments)))
    unplaced_end(unplaced, appointments, choice=choice, reason=reason, actor=actor, now=now)
    replan.touch()
    return replan


@step
def lock_visits(appointment_ids: Iterable[int]) -> list[Appointment]:
    """Lock the courses of these appointments, then the appointments; in the order of their keys."""
    ids = list(appointment_ids)
    found = Appointment.objects.filter(pk__in=ids).values_list("course_id", flat=True)
    courses = {course.pk: course for course in locks.lock_courses({*found})}
    appointments = locks.lock_appointments(ids)
    for appointment in appointments:
        appointment.course = courses[appointment.course_id]
    return appointments


@step
def unplaced_end(
    rows: Sequence[ReplanRow],
    appointments: Sequence[Appointment],
    *,
    choice: UnplacedChoice,
    reason: str,
    actor: Actor,
    now: datetime,
) -> None:
    """Do with these rows, whose appointments and their resources are locked, what was chosen.

    Raises NotAllowed (also for who may not write to the waiting list), StatusStepRefused.
    """
    by_pk = {one.pk: one for one in appointments}
    for row in rows:
        appointment = by_pk[row.appointment_id]
        actor.require_at(appointment.clinic_id, "replan.write")
        if stands(appointment, now=now):
            end_visit(appointment, status=AppointmentStatus.CANCELLED, reason=reason)
        if choice is UnplacedChoice.WAITING_LIST:
            _wait(appointment, actor=actor, now=now)
        row.status = BECOMES[choice]
    ReplanRow.objects.bulk_update(rows, ["status"])


@step
def _wait(appointment: Appointment, *, actor: Actor, now: datetime) -> None:
    waits = WaitingListEntry.objects.filter(
        course=appointment.course_id, status=WaitingStatus.WAITLIST
    )
    if not waits.exists():
        waiting_list_add(
            course_id=appointment.course_id,
            wait=Wait(clinics={appointment.clinic_id: 1.0}, note="lost a slot in a re-plan"),
            actor=actor,
            now=now,
        )
