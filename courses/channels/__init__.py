"""How messages leave: one port, and an adapter for each way out. Nothing here knows a table."""

from courses.channels.configured import configured_senders, reachable_channels
from courses.channels.port import (
    Delivery,
    Outgoing,
    Refusal,
    Sender,
    Senders,
    TemporaryTrouble,
    Text,
)
from courses.channels.texts import change_text, invitation_text, reminder_text

__all__ = [
    "Delivery",
    "Outgoing",
    "Refusal",
    "Sender",
    "Senders",
    "TemporaryTrouble",
    "Text",
    "change_text",
    "configured_senders",
    "invitation_text",
    "reachable_channels",
    "reminder_text",
]
