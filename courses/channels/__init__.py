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
from courses.channels.texts import TEXTS, TextFacts, UnknownTemplate, text_for

__all__ = [
    "TEXTS",
    "Delivery",
    "Outgoing",
    "Refusal",
    "Sender",
    "Senders",
    "TemporaryTrouble",
    "Text",
    "TextFacts",
    "UnknownTemplate",
    "configured_senders",
    "reachable_channels",
    "text_for",
]
