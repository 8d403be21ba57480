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


class CallOutcome(StrEnum):
    """What came of a call by the front desk."""

    REACHED = "reached"
    NOT_REACHED = "not_reached"
