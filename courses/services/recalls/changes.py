"""Patients hear of it when the clinic has moved their visit."""

from datetime import datetime

from core.db import step
from courses.models import Appointment, Recall
from courses.selectors.recalls.readiness import appointment_occasion
from courses.services.recalls.contact import message_plan
from courses.vocabulary import RecallKind


@step
def change_tell(*, appointment: Appointment, cause: str, now: datetime) -> Recall:
    """Queue the message that an appointment has another time or place, outside of quiet hours.

    `cause` (such as `replan:7`, 40 signs at most) moved it: for one cause it is told once. The
    course is locked.
    """
    recall = Recall.objects.create(
        course_id=appointment.course_id,
        appointment=appointment,
        kind=RecallKind.CHANGE,
        step=cause,
        occasion=appointment_occasion(appointment),
        due_at=now,
    )
    message_plan(recall=recall, now=now)
    return recall
