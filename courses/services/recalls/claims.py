"""A worker's hold on one message, and how it gives the message back."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from django.conf import settings

from core.db import command, step
from courses import locks
from courses.channels import Delivery
from courses.models import DeliveryReport, Message, Recall
from courses.services.recalls.contact import message_plan
from courses.timing import MAX_ATTEMPTS
from courses.timing.words import ContactState, DeliveryOutcome
from courses.vocabulary import MessageStatus, RecallReason, RequestStatus

NOT_ARRIVED: Final = (DeliveryOutcome.FAILED, DeliveryOutcome.BOUNCED, DeliveryOutcome.REFUSED)


@dataclass(frozen=True, slots=True)
class Claim:
    """A worker has the message until the lease ends; `attempt` is what proves it.

    `taken_over`: another worker had it and was not heard of again; what it did nobody knows.
    """

    message_id: int
    attempt: int
    taken_over: bool = False

    @property
    def spent(self) -> bool:
        """Whether all attempts were made before: each of them ended without a word."""
        return self.attempt > MAX_ATTEMPTS


@dataclass(frozen=True, slots=True)
class Sent:
    """The provider took it."""

    delivery: Delivery


@dataclass(frozen=True, slots=True)
class Waits:
    """For a person (a call), or until a time; no attempt was made."""

    reason: str
    until: datetime | None = None


@dataclass(frozen=True, slots=True)
class Failed:
    """It did not leave; the next attempt is at `again_at`, None for none.

    `address`: the address is at fault, and is turned off.
    """

    reason: str
    again_at: datetime | None = None
    address: bool = False


@dataclass(frozen=True, slots=True)
class Dropped:
    """It need not leave: the contact point is closed, or (`recall_too`) nobody is to be told."""

    reason: str
    recall_too: bool = False


Outcome = Sent | Waits | Failed | Dropped


@command
def message_claim(*, now: datetime) -> Claim | None:
    """Claim the message that has been due longest, for the length of the lease; None without one.

    The lease is committed before anything is sent: a worker that dies leaves a row that says so.
    """
    message = locks.lock_due_message(now=now)
    if message is None:
        return None
    taken_over = message.status == MessageStatus.IN_PROGRESS
    message.status = MessageStatus.IN_PROGRESS
    message.attempt += 1
    message.lease_until = now + timedelta(seconds=settings.FALLOW_MESSAGE_LEASE_SECONDS)
    message.save()
    return Claim(message_id=message.pk, attempt=message.attempt, taken_over=taken_over)


@command
def message_settle(*, claim: Claim, outcome: Outcome, now: datetime) -> bool:
    """Write what came of a claimed message; False when the claim was lost and nothing is written.

    Another worker has it by then, or had: what it writes counts.
    """
    recall_id = Message.objects.values_list("recall_id", flat=True).get(pk=claim.message_id)
    recall, message = locks.lock_recall(pk=recall_id), locks.lock_message(pk=claim.message_id)
    if recall is None or message is None or not _holds(claim, message):
        return False
    message.lease_until = None
    match outcome:
        case Sent(delivery):
            _complete(recall, message, now=now, reference=delivery.reference)
        case Waits(reason, until):
            _wait(message, reason=reason, until=until)
        case Failed(reason, again_at, address):
            if address:
                contact_point_off(pk=message.contact_point_id, reason=reason, now=now)
            _fail(recall, message, reason=reason, again_at=again_at, now=now)
        case Dropped(reason, recall_too):
            _drop(recall, message, reason=reason, recall_too=recall_too, now=now)
    return True


@step
def message_end(
    *, recall: Recall, message: Message, status: MessageStatus, reason: str, now: datetime
) -> None:
    """End a message of a locked recall without effect and go on to the next contact point.

    One whose outcome nobody knows is followed by none: the front desk sees the recall on hold.
    """
    message.status, message.status_reason = status, reason
    message.save()
    if recall.status == RequestStatus.ACTIVE:
        message_plan(recall=recall, now=now)


@step
def contact_point_off(*, pk: int, reason: str, now: datetime) -> None:
    """Turn an address off that takes nothing or is not wanted; the first reason stays."""
    point = locks.lock_contact_point(pk=pk)
    if point is not None and point.state == ContactState.WORKING:
        point.state, point.off_reason, point.off_at = ContactState.OFF, reason[:60], now
        point.save()


@step
def recall_revoke(*, recall: Recall, reason: str) -> None:
    """End a locked recall that is not over yet."""
    if recall.status in {RequestStatus.ACTIVE, RequestStatus.ON_HOLD}:
        recall.status, recall.status_reason = RequestStatus.REVOKED, reason
        recall.save()


def _holds(claim: Claim, message: Message) -> bool:
    return message.status == MessageStatus.IN_PROGRESS and message.attempt == claim.attempt


@step
def _complete(recall: Recall, message: Message, *, now: datetime, reference: str) -> None:
    told = DeliveryReport.objects.filter(message=message.pk, outcome__in=NOT_ARRIVED).first()
    if told is not None:
        # The provider was quicker with the bad news than with its receipt.
        message_end(
            recall=recall,
            message=message,
            status=MessageStatus.STOPPED,
            reason=told.outcome,
            now=now,
        )
        return
    message.status, message.status_reason = MessageStatus.COMPLETED, ""
    message.sent_at = now
    message.provider_reference = reference
    message.save()
    if recall.status == RequestStatus.ACTIVE:
        recall.status = RequestStatus.COMPLETED
        recall.save()


@step
def _wait(message: Message, *, reason: str, until: datetime | None) -> None:
    # No attempt was made. Nobody else can hold this number: a lost claim has a lower one.
    message.attempt -= 1
    message.status_reason = reason
    if until is None:
        message.status = MessageStatus.ON_HOLD
    else:
        message.status, message.due_at = MessageStatus.PREPARATION, until
    message.save()


@step
def _fail(
    recall: Recall, message: Message, *, reason: str, again_at: datetime | None, now: datetime
) -> None:
    if recall.status != RequestStatus.ACTIVE:
        _drop(recall, message, reason=RecallReason.WITHDRAWN, recall_too=False, now=now)
    elif again_at is None:
        message_end(
            recall=recall, message=message, status=MessageStatus.STOPPED, reason=reason, now=now
        )
    else:
        message.status, message.status_reason = MessageStatus.PREPARATION, reason
        message.due_at = again_at
        message.save()


@step
def _drop(
    recall: Recall, message: Message, *, reason: str, recall_too: bool, now: datetime
) -> None:
    if recall_too:
        recall_revoke(recall=recall, reason=reason)
    message_end(
        recall=recall, message=message, status=MessageStatus.NOT_DONE, reason=reason, now=now
    )
