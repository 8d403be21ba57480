"""How messages leave: one port, and an adapter for each way out. Nothing here knows a table."""

from courses.channels.configured import configured_senders, reachable_channels
from courses.channels.links import (
    LinkPurpose,
    link_token,
    message_of,
    reply_link,
    unsubscribe_link,
)
from courses.channels.port import (
    Delivery,
    Outgoing,
    Refusal,
    Sender,
    Senders,
    TemporaryTrouble,
    Text,
)
from courses.channels.segments import SmsAlphabet, SmsLength, sms_length, sms_sender
from courses.channels.texts import (
    TEXTS,
    TextFacts,
    UnknownTemplate,
    languages_for,
    text_for,
    wording_in,
)
from courses.channels.wording import (
    KIND,
    MAY,
    MOST_SEGMENTS,
    MUST,
    FactMissing,
    Flaw,
    Wording,
    flaws,
    longest,
)

__all__ = [
    "KIND",
    "MAY",
    "MOST_SEGMENTS",
    "MUST",
    "TEXTS",
    "Delivery",
    "FactMissing",
    "Flaw",
    "LinkPurpose",
    "Outgoing",
    "Refusal",
    "Sender",
    "Senders",
    "SmsAlphabet",
    "SmsLength",
    "TemporaryTrouble",
    "Text",
    "TextFacts",
    "UnknownTemplate",
    "Wording",
    "configured_senders",
    "flaws",
    "languages_for",
    "link_token",
    "longest",
    "message_of",
    "reachable_channels",
    "reply_link",
    "sms_length",
    "sms_sender",
    "text_for",
    "unsubscribe_link",
    "wording_in",
]
