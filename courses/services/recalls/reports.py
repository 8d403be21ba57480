"""What providers tell later of a message: written down once, and acted upon once."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from core.db import command, constraint_as, step
from core.errors import Busy
from courses import locks
from courses.errors import MessageUnknown
from courses.models import DeliveryReport, Message, Recall
from courses.selectors.recalls.standing import step_stands
from courses.services.recalls.claims import (
    contact_point_off,
    message_arrived,
    message_not_arrived,
    newest_report,
)
from courses.services.recalls.contact import message_plan
from courses.timing.differences import LIVE
from courses.timing.words import DeliveryOutcome
from courses.vocabulary import MessageStatus, RecallReason, RequestStatus

ADDRESS_AT_FAULT: Final = (DeliveryOutcome.BOUNCED, DeliveryOutcome.REFUSED)
WAITING: Final = (MessageStatus.PREPARATION, MessageStatus.ON_HOLD)
GONE_ON: Final = (MessageStatus.IN_PROGRESS, MessageStatus.COMPLETED)


@dataclass(frozen=True, slots=True)
class Told:
    """A report as it came in; `provider_id` is the provider's own name of this report."""

    provider_id: str
    outcome: DeliveryOutcome
    happened_at: datetime
    reason: str = ""


@command
def delivery_report_take(*, message_id: int, told: Told, now: datetime) -> bool:
    """Write a report down and do what follows from it; False for one that was here before.

    A message that did not arrive ends, and the next contact point is tried while its step stands;
    one that did arrive is settled as sent, also where nobody knew. An address that bounced or
    refused is turned off. Raises MessageUnknown.
    """
    found = Message.objects.filter(pk=message_id).values_list("recall_id", flat=True).first()
    recall = locks.lock_recall(pk=found) if found is not None else None
    message = locks.lock_message(pk=message_id) if recall is not None else None
    if recall is None or message is None:
        raise MessageUnknown(message=message_id)
    if DeliveryReport.objects.filter(provider_id=told.provider_id).exists():
        return False
    # The lock on the recall orders reports of one message; the unique key orders all others.
    with constraint_as(courses_deliveryreport_provider_id_key=Busy):
        DeliveryReport.objects.create(
            message=message,
            provider_id=told.provider_id,
            outcome=told.outcome,
            reason=told.reason[:60],
            happened_at=told.happened_at,
            received_at=now,
        )
    _act(recall, message, told, now=now)
    return True


@step
def _act(recall: Recall, message: Message, told: Told, *, now: datetime) -> None:
    if told.outcome in ADDRESS_AT_FAULT:
        contact_point_off(pk=message.contact_point_id, reason=told.outcome, now=now)
    if told.outcome is DeliveryOutcome.DELIVERED and message.delivered_at is None:
        message.delivered_at = told.happened_at
        message.save()
    newest = newest_report(message)
    # What a worker has in hand it settles itself, by the newest report; an older one is no news.
    if message.status == MessageStatus.IN_PROGRESS or newest is None:
        return
    if newest.provider_id != told.provider_id:
        return
    if told.outcome is DeliveryOutcome.DELIVERED:
        message_heard(recall=recall, message=message, at=min(told.happened_at, now))
    else:
        message_not_heard(recall=recall, message=message, reason=told.outcome, now=now)


@step
def message_heard(*, recall: Recall, message: Message, at: datetime) -> None:
    """Whatever waits to tell the same need not leave any more."""
    if message.status == MessageStatus.NOT_DONE and is_unknown(message):
        _heard_after_all(recall, message, at=at)
        return
    if message.status not in {MessageStatus.PREPARATION, MessageStatus.STOPPED}:
        return
    others = [one for one in locks.lock_messages_of(recall) if one.pk != message.pk]
    if any(one.status in GONE_ON for one in others):
        return
    for one in others:
        if one.status in WAITING:
            one.status, one.status_reason = MessageStatus.NOT_DONE, RecallReason.SUPERSEDED
            one.save()
    message_arrived(recall=recall, message=message, at=at)


@step
def message_not_heard(*, recall: Recall, message: Message, reason: str, now: datetime) -> None:
    """On to the next contact point, unless that was done or a later step tells the same."""
    unknown = is_unknown(message)
    ended = {MessageStatus.STOPPED, MessageStatus.NOT_DONE, MessageStatus.ENTERED_IN_ERROR}
    if message.status in ended and not unknown:
        return
    told = recall.status == RequestStatus.COMPLETED
    held = recall.status == RequestStatus.ON_HOLD and unknown
    if (told or held) and step_stands(recall, now=now):
        recall.status, recall.status_reason = RequestStatus.ACTIVE, ""
        recall.save()
    if message.status == MessageStatus.NOT_DONE:
        # The planner ended it, and so it stays ended.
        message.may_have_left = False
        message.save()
        if recall.status == RequestStatus.ACTIVE:
            message_plan(recall=recall, now=now)
        return
    message_not_arrived(recall=recall, message=message, reason=reason, now=now)


@step
def _heard_after_all(recall: Recall, message: Message, *, at: datetime) -> None:
    """The planner ended the message, and so it stays; but its recall has had its effect.

    Of a recall that is over it stays unknown: whatever takes that up again sends it no more.
    """
    if recall.status in LIVE:
        recall.status, recall.status_reason = RequestStatus.COMPLETED, ""
        recall.save()
        message.sent_at, message.may_have_left = at, False
        message.save()


def is_unknown(message: Message) -> bool:
    """Whether a message ended and nobody knows whether it arrived."""
    over = message.status in {MessageStatus.NOT_DONE, MessageStatus.STOPPED}
    return over and (message.may_have_left or message.status_reason == RecallReason.OUTCOME_UNKNOWN)
