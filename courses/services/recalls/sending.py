"""Messages leave: claimed, looked at again, sent outside of any transaction, settled."""

import logging
import random
from datetime import datetime
from typing import Final

from courses.channels import Refusal, Senders, TemporaryTrouble
from courses.models import Message
from courses.selectors.recalls.readiness import quiet_hours_of
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
    message_settle,
)
from courses.services.recalls.planning import reminder_plan
from courses.timing import MAX_ATTEMPTS, out_of_quiet, pause_after
from courses.vocabulary import MessageStatus, RecallReason

logger = logging.getLogger(__name__)

KEY_PREFIX: Final = "fallow-message-"


def message_key(message: Message) -> str:
    """The provider's key of a message: the same for every attempt, so that it has one effect."""
    return f"{KEY_PREFIX}{message.pk}"


def message_deliver(*, claim: Claim, senders: Senders, now: datetime) -> Outcome | None:
    """Do with a claimed message what is right by now; None when the claim was lost meanwhile.

    Not a command: nothing is locked while the provider takes its time. What an unknown error
    leaves behind is claimed again when the lease is over.
    """
    message = messages_with_context().get(pk=claim.message_id)
    if message.status != MessageStatus.IN_PROGRESS or message.attempt != claim.attempt:
        return None
    outcome = _attempt(message, claim=claim, senders=senders, now=now)
    if not message_settle(claim=claim, outcome=outcome, now=now):
        logger.warning("message %s: lease lost before it was settled", message.pk)
        return None
    if isinstance(outcome, Failed):
        logger.warning(
            "message %s: attempt %s failed: %s", message.pk, claim.attempt, outcome.reason
        )
    moved = isinstance(outcome, Dropped) and outcome.reason == RecallReason.APPOINTMENT_MOVED
    if moved and message.recall.appointment_id is not None:
        reminder_plan(appointment_id=message.recall.appointment_id, now=now)
    return outcome


def _attempt(message: Message, *, claim: Claim, senders: Senders, now: datetime) -> Outcome:
    if claim.spent:
        return Failed(RecallReason.GAVE_UP)
    match verdict(message, now=now):
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
    sender = senders[send.outgoing.channel]
    try:
        delivery = sender.send(send.outgoing, text=send.text, key=message_key(message))
    except Refusal as refusal:
        return Failed(refusal.reason)
    except TemporaryTrouble as trouble:
        if message.attempt >= MAX_ATTEMPTS:
            return Failed(trouble.reason)
        pause = pause_after(
            message.attempt,
            jitter=random.random(),  # noqa: S311
            asked=trouble.retry_after,
        )
        again_at = out_of_quiet(now + pause, quiet=quiet_hours_of(message.contact_point))
        return Failed(trouble.reason, again_at=again_at)
    return Sent(delivery)
