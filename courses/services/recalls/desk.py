"""What the front desk does with recalls: withdraw one, and tell what came of a call."""

from datetime import datetime

from clinics.access import Actor
from clinics.hours.wall_time import zone_named
from core.db import command, step
from core.transitions import allows
from courses import locks, transitions
from courses.errors import CallNotOpen, MessageUnknown, RecallUnknown, StatusStepRefused
from courses.models import Message, Recall
from courses.selectors.recalls.steps import cadence_of_recall, point_of
from courses.services.recalls.claims import message_end, recall_revoke
from courses.timing import MAX_CALLS, call_again_at, out_of_quiet
from courses.timing.words import CallOutcome
from courses.vocabulary import Channel, MessageStatus, RecallReason, RequestStatus

WAITING = (MessageStatus.PREPARATION, MessageStatus.ON_HOLD)


@command
def recall_withdraw(
    *,
    recall_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Recall:
    """End a recall and the other steps about the same thing: what has not left stays here.

    Safe to repeat. The planner plans no more about it; a later window or a visit that falls
    through is another thing. A message that a worker is sending at this moment may leave still.
    Raises RecallUnknown, NotAllowed, Stale, StatusStepRefused for one that is over.
    """
    del now
    recall = _locked_recall(recall_id, actor=actor)
    recall.check_version(expected_version)
    if recall.status == RequestStatus.REVOKED:
        return recall
    if not allows(transitions.RECALL, old=recall.status, new=RequestStatus.REVOKED):
        raise StatusStepRefused(status=recall.status, wanted=RequestStatus.REVOKED)
    for one in locks.lock_live_recalls_of(recall):
        one.withdrawn_by_id = actor.staff_id
        recall_revoke(recall=one, reason=reason)
        for message in locks.lock_messages_of(one):
            if message.status in WAITING:
                message.status = MessageStatus.NOT_DONE
                message.status_reason = RecallReason.WITHDRAWN
                message.save()
    recall.refresh_from_db()
    return recall


@command
def call_record(
    *,
    message_id: int,
    outcome: CallOutcome,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Message:
    """Record what came of a call. Whoever was not reached is called again tomorrow, three times.

    After that the next contact point is tried. Raises MessageUnknown, NotAllowed, Stale,
    CallNotOpen.
    """
    found = Message.objects.visible_to(actor).filter(pk=message_id)
    recall_id = found.values_list("recall_id", flat=True).first()
    if recall_id is None:
        raise MessageUnknown(message=message_id)
    recall = _locked_recall(recall_id, actor=actor)
    message = locks.lock_message(pk=message_id)
    if message is None:
        raise MessageUnknown(message=message_id)
    message.check_version(expected_version)
    if message.channel != Channel.PHONE or message.status != MessageStatus.ON_HOLD:
        raise CallNotOpen(channel=message.channel, status=message.status)
    message.attempt += 1
    if outcome is CallOutcome.REACHED:
        _reached(recall, message, now=now)
    elif message.attempt >= MAX_CALLS:
        message_end(
            recall=recall,
            message=message,
            status=MessageStatus.STOPPED,
            reason=RecallReason.NOT_REACHED,
            now=now,
        )
    else:
        _call_again(recall, message, now=now)
    return message


@step
def _locked_recall(recall_id: int, *, actor: Actor) -> Recall:
    recall = locks.lock_recall(pk=recall_id)
    if recall is None or recall.course.chain_id != actor.chain_id:
        raise RecallUnknown(recall=recall_id)
    actor.require_at(recall.course.clinic_id, "recall.write")
    return recall


@step
def _reached(recall: Recall, message: Message, *, now: datetime) -> None:
    message.status, message.status_reason = MessageStatus.COMPLETED, ""
    message.sent_at = now
    message.save()
    if recall.status == RequestStatus.ACTIVE:
        recall.status = RequestStatus.COMPLETED
        recall.save()


@step
def _call_again(recall: Recall, message: Message, *, now: datetime) -> None:
    cadence = cadence_of_recall(recall)
    again_at = call_again_at(
        now, zone=zone_named(recall.course.clinic.time_zone), hour=cadence.civil_hour
    )
    message.status, message.status_reason = MessageStatus.PREPARATION, RecallReason.NOT_REACHED
    message.due_at = out_of_quiet(again_at, quiet=point_of(message.contact_point).quiet_in(cadence))
    message.save()
