"""The words of messages to patients, as closed sets of codes. Pure."""

from enum import StrEnum


class MessagePurpose(StrEnum):
    """What a patient allows messages for. Nothing is sent for any other purpose.

    `recall`: to come and book; `reminder`: about a visit that is booked; `aftercare`: how it
    goes after a session.
    """

    RECALL = "recall"
    REMINDER = "reminder"
    AFTERCARE = "aftercare"


class ConsentDecision(StrEnum):
    """What a patient said about messages: yes, or no more."""

    GIVEN = "given"
    WITHDRAWN = "withdrawn"


class NoticeTopic(StrEnum):
    """What a message says about one appointment outside of any cadence."""

    MOVED = "moved"


class ClosedDays(StrEnum):
    """What a step does on a day on which the clinic is closed: leave later, or leave anyway."""

    LATER = "later"
    SEND = "send"


class ContactState(StrEnum):
    """Whether an address works: one that bounced or was refused is off until somebody mends it."""

    WORKING = "working"
    OFF = "off"


class DeliveryOutcome(StrEnum):
    """What a provider tells later of a message.

    `failed`: it was not delivered, and the address may be as good as ever. `bounced`: the address
    takes nothing. `refused`: whoever it belongs to does not want it.
    """

    DELIVERED = "delivered"
    FAILED = "failed"
    BOUNCED = "bounced"
    REFUSED = "refused"


class ReplyKind(StrEnum):
    """What a patient answers to a message: book, ask again later, or no more messages."""

    BOOK = "book"
    LATER = "later"
    STOP = "stop"


class DeskState(StrEnum):
    """Where a patient stands who is ready and has no visit, as the front desk sees it.

    `due`: nobody has been told; `invited`: told less than a week ago; `no_answer`: told longer ago
    than that; `answered`: after the last invitation; `to_call`: a call waits for the front desk;
    `unreachable`: no contact point works and allows it; `withdrawn`: somebody ended it, and no
    invitation about this window follows.
    """

    DUE = "due"
    INVITED = "invited"
    NO_ANSWER = "no_answer"
    ANSWERED = "answered"
    TO_CALL = "to_call"
    UNREACHABLE = "unreachable"
    WITHDRAWN = "withdrawn"


class Standing(StrEnum):
    """As `DeskState`, but for what the clock decides: whether `invited` is without an answer."""

    DUE = "due"
    INVITED = "invited"
    ANSWERED = "answered"
    TO_CALL = "to_call"
    UNREACHABLE = "unreachable"
    WITHDRAWN = "withdrawn"


class CallOutcome(StrEnum):
    """What came of a call by the front desk."""

    REACHED = "reached"
    NOT_REACHED = "not_reached"


class FoundOut(StrEnum):
    """What the front desk found out about a message of which nobody knew whether it arrived."""

    HEARD = "heard"
    NOT_HEARD = "not_heard"
