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
        _arrived(recall, message, at=min(told.happened_at, now))
    else:
        _not_arrived(recall, message, reason=told.outcome, now=now)


@step
def _arrived(recall: Recall, message: Message, *, at: datetime) -> None:
    """Whatever waits to tell the same need not leave any more."""
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
def _not_arrived(recall: Recall, message: Message, *, reason: str, now: datetime) -> None:
    """On to the next contact point, unless that was done or a later step tells the same."""
    if message.status in {MessageStatus.NOT_DONE, MessageStatus.ENTERED_IN_ERROR}:
        message.may_have_left = False
        message.save()
        return
    unknown = message.status_reason == RecallReason.OUTCOME_UNKNOWN
    if message.status == MessageStatus.STOPPED and not unknown:
        return
    told = recall.status == RequestStatus.COMPLETED
    held = recall.status == RequestStatus.ON_HOLD and unknown
    if (told or held) and step_stands(recall, now=now):
        recall.status, recall.status_reason = RequestStatus.ACTIVE, ""
        recall.save()
    message_not_arrived(recall=recall, message=message, reason=reason, now=now)
