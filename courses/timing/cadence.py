"""A chain's cadence: which messages there are, when each is due, and by which channels.

A cadence is a document with a number; a step that was planned keeps the number that planned it.
The default for reminders follows Steiner 2018 (Am J Manag Care 24:377; 54 066 appointments, 4.4 %
missed with reminders both three days and one day before, 5.8 % and 5.3 % with one of them):
a documented default, no claim about any clinic that uses it. The other defaults are common
practice.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import time
from typing import Final

from courses.timing.words import ClosedDays, MessagePurpose
from courses.vocabulary import Channel, RecallKind

PURPOSE: Final = {
    RecallKind.INVITATION: MessagePurpose.RECALL,
    RecallKind.REMINDER: MessagePurpose.REMINDER,
    RecallKind.CHANGE: MessagePurpose.REMINDER,
    RecallKind.AFTERCARE: MessagePurpose.AFTERCARE,
}
PLANNED: Final = (RecallKind.INVITATION, RecallKind.REMINDER, RecallKind.AFTERCARE)


@dataclass(frozen=True, slots=True)
class CadenceStep:
    """One message of a cadence.

    `days` count from the day on which the window closes (invitation), of the visit (reminder) or
    of the session (aftercare), in the clinic's calendar. `channels` are tried in this order; none
    named means the patient's own order. With `desk` a patient whom these channels do not reach
    is put on the front desk's list; without it the step is dropped.
    """

    kind: RecallKind
    key: str
    days: int
    template: str
    channels: tuple[Channel, ...] = ()
    closed_days: ClosedDays = ClosedDays.LATER
    desk: bool = False

    @property
    def purpose(self) -> MessagePurpose:
        """What the patient must have allowed."""
        return PURPOSE[self.kind]


@dataclass(frozen=True, slots=True)
class Cadence:
    """All steps of a chain, with its civil hour and the hours in which a channel is quiet.

    `quiet` holds local wall times of the recipient, for patients who named no hours of their
    own; a channel that is not in it is never quiet. `language` is that of texts for patients for
    whose own there are no words. `number` 0 is the default.
    """

    number: int
    steps: tuple[CadenceStep, ...]
    civil_hour: time = time(10)
    quiet: Mapping[Channel, tuple[time, time]] = field(default_factory=dict)
    language: str = "en"

    def of(self, kind: RecallKind) -> tuple[CadenceStep, ...]:
        """The steps of a kind, earliest first."""
        found = (step for step in self.steps if step.kind is kind)
        return tuple(sorted(found, key=lambda step: step.days))

    def step(self, kind: RecallKind, key: str) -> CadenceStep | None:
        """The step of that name; None when this cadence has none (any more)."""
        return next((one for one in self.steps if one.kind is kind and one.key == key), None)


BEFORE_CLOSING: Final = "before-closing"
WINDOW_CLOSED: Final = "window-closed"
CALL_LIST: Final = "call-list"
THREE_DAYS: Final = "three-days-before"
ONE_DAY_BEFORE: Final = "one-day-before"
CHECK_IN: Final = "check-in"

_WRITTEN: Final = (Channel.EMAIL, Channel.SMS)

DEFAULT: Final = Cadence(
    number=0,
    steps=(
        CadenceStep(RecallKind.INVITATION, BEFORE_CLOSING, -14, "invitation-ahead", _WRITTEN),
        CadenceStep(RecallKind.INVITATION, WINDOW_CLOSED, 0, "invitation", desk=True),
        CadenceStep(RecallKind.INVITATION, "two-weeks-after", 14, "invitation-again", desk=True),
        CadenceStep(RecallKind.INVITATION, "six-weeks-after", 42, "invitation-again", desk=True),
        CadenceStep(
            RecallKind.INVITATION, CALL_LIST, 56, "invitation-again", (Channel.PHONE,), desk=True
        ),
        CadenceStep(
            RecallKind.REMINDER,
            THREE_DAYS,
            -3,
            "reminder",
            closed_days=ClosedDays.SEND,
            desk=True,
        ),
        CadenceStep(RecallKind.REMINDER, ONE_DAY_BEFORE, -1, "reminder", _WRITTEN, ClosedDays.SEND),
        CadenceStep(RecallKind.AFTERCARE, CHECK_IN, 3, "aftercare", _WRITTEN),
    ),
    quiet={Channel.SMS: (time(20), time(8))},
)
