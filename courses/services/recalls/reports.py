"""What providers tell later of a message: written down once, and acted upon once."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from core.db import command, constraint_as, step
from core.errors import Busy
from courses import locks
from courses.errors import MessageUnknown
from courses.models import DeliveryReport, Message, Recall
from courses.services.recalls.claims import NOT_ARRIVED, contact_point_off, message_end
from courses.timing.words import DeliveryOutcome
from courses.vocabulary import MessageStatus, RequestStatus

ADDRESS_AT_FAULT: Final = (DeliveryOutcome.BOUNCED, DeliveryOutcome.REFUSED)
LEFT_OR_WAITS: Final = (MessageStatus.COMPLETED, MessageStatus.PREPARATION)


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

    A message that did not arrive ends, and the next contact point is tried; an address that
    bounced or refused is turned off. Raises MessageUnknown.
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
    if told.outcome is DeliveryOutcome.DELIVERED:
        if message.delivered_at is None:
            message.delivered_at = told.happened_at
            message.save()
        return
    if told.outcome in ADDRESS_AT_FAULT:
        contact_point_off(pk=message.contact_point_id, reason=told.outcome, now=now)
    # One that a worker has in hand ends when the worker settles it.
    if message.status in LEFT_OR_WAITS and told.outcome in NOT_ARRIVED:
        if recall.status == RequestStatus.COMPLETED:
            recall.status = RequestStatus.ACTIVE
            recall.save()
        message_end(
            recall=recall,
            message=message,
            status=MessageStatus.STOPPED,
            reason=told.outcome,
            now=now,
        )
