"""The next way to reach the patient of a recall, when one has failed; and its right hour."""

from datetime import datetime

from clinics.hours import zone_named
from core.db import step
from courses.channels import reachable_channels
from courses.models import Message, Recall
from courses.selectors.recalls.closed_days import ClosedDaysOfClinics
from courses.selectors.recalls.facts import points_of_course
from courses.selectors.recalls.steps import cadence_of_recall, clinic_of, step_of
from courses.timing import Place, WantedStep
from courses.timing.differences import Aim, MessageRow, RecallRow, Ways, aim_for
from courses.vocabulary import MessageStatus, RequestStatus


@step
def message_plan(*, recall: Recall, now: datetime) -> Message | None:
    """Plan a message to the best contact point that has not failed, at its right hour.

    Without one the (locked or new) recall goes on hold with the reason, for the front desk, or
    is withdrawn when its step asks for no person.
    """
    due_at = max(recall.due_at, now)
    aim = _aim(recall, due_at=due_at, now=now)
    if aim.point is None:
        recall.status, recall.status_reason = aim.status, aim.reason
        recall.save()
        return None
    told_before = recall.messages.filter(contact_point=aim.point.id).first()
    message = told_before or Message(
        recall=recall, contact_point_id=aim.point.id, channel=aim.point.channel
    )
    message.status, message.status_reason = MessageStatus.PREPARATION, ""
    message.due_at = aim.leaves_at or due_at
    message.save()
    return message


def _aim(recall: Recall, *, due_at: datetime, now: datetime) -> Aim:
    clinic = clinic_of(recall)
    wanted = WantedStep(
        step=step_of(recall),
        occasion=recall.occasion,
        about=0,
        due_at=due_at,
        place=Place(clinic.pk, zone_named(clinic.time_zone)),
        before=recall.appointment.starts_at if recall.appointment else None,
    )
    ways = Ways(
        points=points_of_course(recall.course_id),
        reachable=reachable_channels(),
        cadence=cadence_of_recall(recall),
        closed=ClosedDaysOfClinics(now=now),
    )
    return aim_for(wanted, row=_row(recall), ways=ways)


def _row(recall: Recall) -> RecallRow:
    messages = recall.messages.order_by("pk") if recall.pk else ()
    return RecallRow(
        id=recall.pk or 0,
        key=(recall.occasion, recall.kind, recall.step),
        status=RequestStatus(recall.status),
        reason=recall.status_reason,
        due_at=recall.due_at,
        version=recall.version,
        messages=tuple(
            MessageRow(
                id=one.pk,
                point_id=one.contact_point_id,
                status=MessageStatus(one.status),
                reason=one.status_reason,
                due_at=one.due_at,
                attempt=one.attempt,
                version=one.version,
                may_have_left=one.may_have_left,
            )
            for one in messages
        ),
    )
