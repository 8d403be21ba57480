"""A worker's hold on one message, and how it gives the message back."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from django.conf import settings

from core.db import command, step
from courses import locks
from courses.channels import Delivery
from courses.models import DeliveryReport, Message, Recall
from courses.selectors.recalls.verdict import Later, Unwanted, still_wanted
from courses.services.recalls.contact import message_plan
from courses.timing import MAX_ATTEMPTS
from courses.timing.words import ContactState, DeliveryOutcome
from courses.vocabulary import Channel, MessageStatus, RecallReason, RequestStatus

NOT_ARRIVED: Final = (DeliveryOutcome.FAILED, DeliveryOutcome.BOUNCED, DeliveryOutcome.REFUSED)


@dataclass(frozen=True, slots=True)
class Claim:
    """A worker has the message until the lease ends; `attempt` is what proves it."""

    message_id: int
    attempt: int

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

    `address`: the address is at fault, and is turned off. `may_have_left`: nobody knows.
    """

    reason: str
    again_at: datetime | None = None
    address: bool = False
    may_have_left: bool = False


@dataclass(frozen=True, slots=True)
class Dropped:
    """It need not leave: the contact point is closed, or (`recall_too`) nobody is to be told."""

    reason: str
    recall_too: bool = False


Outcome = Sent | Waits | Failed | Dropped


@command
def message_claim(*, now: datetime) -> Claim | None:
    """Claim the message that has been due longest, for the length of the lease; None without one.

    The lease is committed before anything is sent: a worker that dies leaves a row that says so,
    and what it did nobody knows.
    """
    message = locks.lock_due_message(now=now)
    if message is None:
        return None
    if message.status == MessageStatus.IN_PROGRESS and message.channel != Channel.PHONE:
        message.may_have_left = True
    message.status = MessageStatus.IN_PROGRESS
    message.attempt += 1
    message.lease_until = now + timedelta(seconds=settings.FALLOW_MESSAGE_LEASE_SECONDS)
    message.save()
    return Claim(message_id=message.pk, attempt=message.attempt)


@command
def message_settle(*, claim: Claim, outcome: Outcome, now: datetime) -> bool:
    """Write what came of a claimed message; False when the claim was lost and nothing is written.

    Another worker has it by then, or had: what it writes counts. What the provider told meanwhile
    counts more than what the worker saw.
    """
    recall_id = Message.objects.values_list("recall_id", flat=True).get(pk=claim.message_id)
    recall, message = locks.lock_recall(pk=recall_id), locks.lock_message(pk=claim.message_id)
    if recall is None or message is None or not _holds(claim, message):
        return False
    message.lease_until = None
    if isinstance(outcome, Dropped) and outcome.recall_too:
        outcome = _seen_again(recall, now=now)
    if isinstance(outcome, Failed) and outcome.address:
        contact_point_off(pk=message.contact_point_id, reason=outcome.reason, now=now)
    told = newest_report(message)
    if told is None:
        _write(recall, message, outcome=outcome, now=now)
    elif told.outcome in NOT_ARRIVED:
        if isinstance(outcome, Dropped) and outcome.recall_too:
            recall_revoke(recall=recall, reason=outcome.reason)
        message_not_arrived(recall=recall, message=message, reason=told.outcome, now=now)
    else:
        if isinstance(outcome, Sent):
            message.provider_reference = outcome.delivery.reference
        message_arrived(recall=recall, message=message, at=min(told.happened_at, now))
    return True


@command
def message_put_off(*, claim: Claim, reason: str, until: datetime) -> bool:
    """Give a claimed message back until later; as `message_settle`, but nobody is waited for.

    Its recall and the plan of its course may be in other hands.
    """
    message = locks.lock_message(pk=claim.message_id)
    if message is None or not _holds(claim, message):
        return False
    message.lease_until = None
    _wait(message, reason=reason, until=until)
    return True


def newest_report(message: Message) -> DeliveryReport | None:
    """What the provider told last of a message, by its own clock. One query."""
    return DeliveryReport.objects.filter(message=message.pk).order_by("-happened_at", "-pk").first()


@step
def message_arrived(*, recall: Recall, message: Message, at: datetime) -> None:
    """The message of a locked recall has had its effect: there is nothing more to do."""
    message.status, message.status_reason = MessageStatus.COMPLETED, ""
    message.sent_at, message.may_have_left = at, False
    message.save()
    if recall.status in {RequestStatus.ACTIVE, RequestStatus.ON_HOLD}:
        recall.status, recall.status_reason = RequestStatus.COMPLETED, ""
        recall.save()


@step
def message_not_arrived(*, recall: Recall, message: Message, reason: str, now: datetime) -> None:
    """The provider knows that the patient has not heard: on to the next contact point."""
    message.may_have_left = False
    message_end(
        recall=recall, message=message, status=MessageStatus.STOPPED, reason=reason, now=now
    )


@step
def message_end(
    *, recall: Recall, message: Message, status: MessageStatus, reason: str, now: datetime
) -> None:
    """End a message of a locked recall without effect and go on to the next contact point.

    One whose outcome nobody knows is followed by none: the front desk sees the recall on hold.
    """
    if message.may_have_left:
        status, reason = MessageStatus.STOPPED, RecallReason.OUTCOME_UNKNOWN
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
def _write(recall: Recall, message: Message, *, outcome: Outcome, now: datetime) -> None:
    match outcome:
        case Sent(delivery):
            message.provider_reference = delivery.reference
            message_arrived(recall=recall, message=message, at=now)
        case Waits(reason, until):
            _wait(message, reason=reason, until=until)
        case Failed():
            message.may_have_left = message.may_have_left or outcome.may_have_left
            _fail(recall, message, reason=outcome.reason, again_at=outcome.again_at, now=now)
        case Dropped(reason, recall_too):
            _drop(recall, message, reason=reason, recall_too=recall_too, now=now)


@step
def _seen_again(recall: Recall, *, now: datetime) -> Dropped | Waits:
    """What of a recall that was not wanted when the worker asked: the planner may have been since.

    It is kept away now by the lock on the plan, and begins next with what is written here.
    """
    match still_wanted(recall, now=now):
        case Unwanted(reason):
            return Dropped(reason, recall_too=True)
        case Later(until, reason):
            return Waits(reason, until)
        case None:
            return Waits(RecallReason.PLAN_UNDER_WAY, now)


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
