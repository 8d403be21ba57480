"""What the front desk does with recalls: withdraw one, tell of a call, or what was found out."""

from datetime import datetime
from typing import Final

from clinics.access import Actor
from clinics.hours.wall_time import zone_named
from core.db import command, step
from courses import locks
from courses.errors import (
    CallNotOpen,
    MessageUnknown,
    NothingToWithdraw,
    OutcomeKnown,
    RecallUnknown,
)
from courses.models import Message, Recall
from courses.selectors.recalls.standing import cadence_goes_on
from courses.selectors.recalls.steps import cadence_of_recall, point_of
from courses.services.recalls.claims import message_end, recall_revoke
from courses.services.recalls.reports import is_unknown, message_heard, message_not_heard
from courses.timing import MAX_CALLS, call_again_at, out_of_quiet
from courses.timing.withdrawn import covered_by
from courses.timing.words import CallOutcome, FoundOut
from courses.vocabulary import Channel, MessageStatus, RecallReason, RequestStatus

WAITING: Final = (MessageStatus.PREPARATION, MessageStatus.ON_HOLD)
NOTHING: Final = (
    "No message about this stands or is to come: it is over, or another window or visit has taken "
    "its place. Name a recall of what is planned now."
)


@command
def recall_withdraw(
    *,
    recall_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Recall:
    """End all steps about the same thing that have not left, and those that are to come.

    Any recall about it may be named, also one that was sent or that the planner took back between
    two steps: it keeps its status, and who withdrew what would follow it. Safe to repeat. The
    planner plans no more about it; a later window or a visit that falls through is another thing.
    A message that a worker is sending at this moment may leave still. Raises RecallUnknown,
    NotAllowed, Stale, NothingToWithdraw.
    """
    # With its plan: what the planner is writing at this moment is withdrawn too.
    recall = _locked_recall(recall_id, actor=actor)
    recall.check_version(expected_version)
    if recall.withdrawn_by_id is not None:
        return recall
    same = covered_by(recall.occasion)
    live = [one for one in locks.lock_live_recalls_of(recall) if covered_by(one.occasion) == same]
    if not live and not cadence_goes_on(recall, now=now):
        raise NothingToWithdraw(NOTHING, status=recall.status)
    if recall not in live:
        recall.withdrawn_by_id, recall.status_reason = actor.staff_id, reason
        recall.save()
    for one in live:
        _withdraw(one, reason=reason, actor=actor)
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
    recall, message = _locked_message(message_id, actor=actor)
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


@command
def outcome_record(
    *,
    message_id: int,
    found: FoundOut,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Message:
    """Record whether a message arrived of which nobody knew: the same as a provider's report.

    Who has not heard is told by the next contact point while the step stands. Raises
    MessageUnknown, NotAllowed, Stale, OutcomeKnown.
    """
    recall, message = _locked_message(message_id, actor=actor)
    message.check_version(expected_version)
    if not is_unknown(message):
        raise OutcomeKnown(status=message.status)
    if found is FoundOut.HEARD:
        message_heard(recall=recall, message=message, at=now)
    else:
        message_not_heard(recall=recall, message=message, reason=RecallReason.NOT_REACHED, now=now)
    return message


@step
def _withdraw(recall: Recall, *, reason: str, actor: Actor) -> None:
    recall.withdrawn_by_id = actor.staff_id
    recall_revoke(recall=recall, reason=reason)
    for message in locks.lock_messages_of(recall):
        if message.status in WAITING:
            message.status, message.status_reason = MessageStatus.NOT_DONE, RecallReason.WITHDRAWN
            message.save()


@step
def _locked_recall(recall_id: int, *, actor: Actor) -> Recall:
    recall = locks.lock_recall(pk=recall_id)
    if recall is None or recall.course.chain_id != actor.chain_id:
        raise RecallUnknown(recall=recall_id)
    actor.require_at(recall.course.clinic_id, "recall.write")
    return recall


@step
def _locked_message(message_id: int, *, actor: Actor) -> tuple[Recall, Message]:
    found = Message.objects.visible_to(actor).filter(pk=message_id)
    recall_id = found.values_list("recall_id", flat=True).first()
    if recall_id is None:
        raise MessageUnknown(message=message_id)
    recall = _locked_recall(recall_id, actor=actor)
    message = locks.lock_message(pk=message_id)
    if message is None:
        raise MessageUnknown(message=message_id)
    return recall, message


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
