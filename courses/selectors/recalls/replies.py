"""What a patient's link opens: asked before any chain is known, then within the chain."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from core.prepared import Prepared
from courses.errors import LinkUnknown
from courses.models import Message, Reply
from courses.selectors.recalls.verdict import messages_with_context, still_wanted
from courses.timing.words import ReplyKind
from courses.vocabulary import MessageStatus, RecallKind, RequestStatus

MESSAGE_CHAIN: Final = Prepared("SELECT courses_message_chain(%(message)s::bigint)")
# A link lives so long after its message left.
LIFE: Final = timedelta(days=21)
LEFT: Final = (MessageStatus.COMPLETED, MessageStatus.IN_PROGRESS, MessageStatus.STOPPED)


@dataclass(frozen=True, slots=True)
class Offer:
    """What a message offers now. `invites`: a visit can be booked or put off.

    `over`: the link's time is over, or the patient is booked or no longer to be invited.
    `replied` is the answer of the asked kind, or the first one.
    """

    message: Message
    invites: bool
    over: bool
    replied: Reply | None


def message_chain(message_id: int) -> int | None:
    """The chain of a message, asked before any chain is known."""
    found = MESSAGE_CHAIN.rows(message=message_id)[0][0]
    return int(found) if found is not None else None


def message_at(message_id: int) -> Message:
    """The message with all that its answers depend on. Raises LinkUnknown."""
    message = messages_with_context().filter(pk=message_id).first()
    if message is None:
        raise LinkUnknown
    return message


def offer_of(message_id: int, *, now: datetime, kind: ReplyKind | None = None) -> Offer:
    """What the message offers now. Five queries at most. Raises LinkUnknown."""
    message = message_at(message_id)
    replies = Reply.objects.filter(message=message).order_by("pk")
    replied = (replies.filter(kind=kind) if kind else replies).first()
    recall = message.recall
    invites = recall.kind == RecallKind.INVITATION
    left_at = message.sent_at or message.due_at
    expired = message.status not in LEFT or left_at + LIFE <= now
    over = expired or (invites and not _invited_still(message, now=now))
    return Offer(message=message, invites=invites, over=over, replied=replied)


def replies_to(message: Message) -> dict[ReplyKind, Reply]:
    """The answer of each kind to a message, with the visit that was booked. One query."""
    found = Reply.objects.filter(message=message).select_related("appointment__clinic")
    return {ReplyKind(one.kind): one for one in found}


def _invited_still(message: Message, *, now: datetime) -> bool:
    recall = message.recall
    if recall.status == RequestStatus.REVOKED:
        return False
    # As if it were still to be sent: booked, ended or superseded since, nobody is invited.
    recall.status = RequestStatus.ACTIVE
    wanted = still_wanted(recall, now=now)
    return wanted is None or hasattr(wanted, "until")
