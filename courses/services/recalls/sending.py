"""Messages leave: claimed, looked at again, sent outside of any transaction, settled."""

import logging
import random
from datetime import datetime, timedelta
from typing import Final

from django.conf import settings

from core.errors import Busy
from courses.channels import (
    MOST_SEGMENTS,
    FactMissing,
    Refusal,
    Senders,
    TemporaryTrouble,
    sms_length,
)
from courses.models import Message
from courses.selectors.recalls.closed_days import ClosedDaysOfClinics
from courses.selectors.recalls.steps import cadence_of_recall, point_of
from courses.selectors.recalls.verdict import (
    Call,
    Closed,
    Later,
    Send,
    Unwanted,
    messages_with_context,
    verdict,
)
from courses.services.recalls.claims import (
    Claim,
    Dropped,
    Failed,
    Outcome,
    Sent,
    Waits,
    message_put_off,
    message_settle,
)
from courses.services.recalls.planner import plan_if_due
from courses.timing import MAX_ATTEMPTS, out_of_quiet, pause_after
from courses.vocabulary import Channel, MessageStatus, RecallReason

logger = logging.getLogger(__name__)

KEY_PREFIX: Final = "fallow-message-"
SETTLE_TRIES: Final = 5


def message_key(message: Message) -> str:
    """The provider's key of a message: the same for every attempt, so that it has one effect."""
    return f"{KEY_PREFIX}{message.pk}"


def message_deliver(
    *,
    claim: Claim,
    senders: Senders,
    now: datetime,
    closed: ClosedDaysOfClinics | None = None,
) -> Outcome | None:
    """Do with a claimed message what is right by now; None when the claim was lost meanwhile.

    Not a command: nothing is locked while the provider takes its time. Consent, opt-out and all
    else are read here anew, just before it leaves. What an unknown error leaves behind is claimed
    again when the lease is over.
    """
    unplanned = plan_if_due(message_id=claim.message_id, now=now)
    message = messages_with_context().get(pk=claim.message_id)
    if message.status != MessageStatus.IN_PROGRESS or message.attempt != claim.attempt:
        return None
    unknown = _unknown(message, senders=senders)
    if unplanned is not None and unknown is None:
        put_off = message_put_off(claim=claim, reason=unplanned.reason, until=unplanned.until)
        return Waits(unplanned.reason, unplanned.until) if put_off else None
    outcome = unknown or _outcome(message, claim=claim, senders=senders, now=now, closed=closed)
    if not _settled(claim, outcome, now=now):
        logger.warning("message %s: lease lost before it was settled", message.pk)
        return None
    if isinstance(outcome, Failed):
        logger.warning(
            "message %s: attempt %s failed: %s", message.pk, claim.attempt, outcome.reason
        )
    return outcome


def _outcome(
    message: Message,
    *,
    claim: Claim,
    senders: Senders,
    now: datetime,
    closed: ClosedDaysOfClinics | None,
) -> Outcome:
    try:
        return _attempt(message, claim=claim, senders=senders, now=now, closed=closed)
    except FactMissing:
        # Nothing has left, and trying again would not mend the words.
        return Failed(RecallReason.TEXT_INCOMPLETE)


def _settled(claim: Claim, outcome: Outcome, *, now: datetime) -> bool:
    """As `message_settle`, which waits some seconds for a lock each time.

    Raises Busy when others are at it for long: the message is claimed again after its lease.
    """
    for _ in range(SETTLE_TRIES - 1):
        try:
            return message_settle(claim=claim, outcome=outcome, now=now)
        except Busy:
            logger.warning("message %s: others are at it; settling again", claim.message_id)
    return message_settle(claim=claim, outcome=outcome, now=now)


def _unknown(message: Message, *, senders: Senders) -> Failed | None:
    """What may have left is not repeated where repeats have effects."""
    sender = senders.get(Channel(message.channel))
    if message.may_have_left and sender is not None and not sender.honours_keys:
        return Failed(RecallReason.OUTCOME_UNKNOWN, may_have_left=True)
    return None


def _attempt(
    message: Message,
    *,
    claim: Claim,
    senders: Senders,
    now: datetime,
    closed: ClosedDaysOfClinics | None,
) -> Outcome:
    if claim.spent:
        return Failed(RecallReason.GAVE_UP)
    match verdict(message, now=now, closed=closed):
        case Unwanted(reason):
            return Dropped(reason, recall_too=True)
        case Closed(reason):
            return Dropped(reason)
        case Later(until, reason):
            return Waits(reason, until)
        case Call():
            return Waits(RecallReason.TO_CALL)
        case Send() as send:
            return _send(message, send, senders=senders, now=now)


def _send(message: Message, send: Send, *, senders: Senders, now: datetime) -> Outcome:
    if _too_long(send):
        return Failed(RecallReason.TEXT_TOO_LONG)
    return _hand_over(message, send, senders=senders, now=now)


def _hand_over(message: Message, send: Send, *, senders: Senders, now: datetime) -> Outcome:
    sender = senders[send.outgoing.channel]
    try:
        delivery = sender.send(send.outgoing, text=send.text, key=message_key(message))
    except Refusal as refusal:
        return Failed(refusal.reason, address=refusal.address)
    except TemporaryTrouble as trouble:
        unknown = trouble.may_have_left
        if unknown and not sender.honours_keys:
            return Failed(RecallReason.OUTCOME_UNKNOWN, may_have_left=True)
        if message.attempt >= MAX_ATTEMPTS:
            return Failed(trouble.reason, may_have_left=unknown)
        pause = pause_after(
            message.attempt,
            jitter=random.random(),  # noqa: S311
            asked=trouble.retry_after,
            first=timedelta(seconds=settings.FALLOW_RETRY_SECONDS),
        )
        quiet = point_of(message.contact_point).quiet_in(cadence_of_recall(message.recall))
        again_at = out_of_quiet(now + pause, quiet=quiet)
        visit = message.recall.appointment
        if visit is not None and again_at >= visit.starts_at:
            # Another way may still come in time.
            return Failed(trouble.reason, may_have_left=unknown)
        return Failed(trouble.reason, again_at=again_at, may_have_left=unknown)
    return Sent(delivery)


def _too_long(send: Send) -> bool:
    """Whether names longer than usual made a text message longer than one may be."""
    if send.outgoing.channel is not Channel.SMS:
        return False
    return sms_length(send.text.body).segments > MOST_SEGMENTS
