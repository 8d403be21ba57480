"""Addresses at which patients answer: a message's number and a signature, nothing personal.

The same for every attempt at a message, so that a provider that honours keys sees the same text.
How long they count is decided where they are read, from when the message left.
"""

import re
from base64 import urlsafe_b64encode
from enum import StrEnum
from typing import Final

from django.conf import settings
from django.utils.crypto import constant_time_compare, salted_hmac

SALT: Final = "courses.channels.links"
SIGNED_BYTES: Final = 16
TOKEN: Final = re.compile(r"([0-9a-z]{1,12})-([A-Za-z0-9_-]{22})")
DIGITS: Final = "0123456789abcdefghijklmnopqrstuvwxyz"


class LinkPurpose(StrEnum):
    """What a link is for; one for another purpose opens nothing."""

    REPLY = "reply"
    UNSUBSCRIBE = "unsubscribe"


def link_token(message_id: int, *, purpose: LinkPurpose) -> str:
    """The token of a message for one purpose: 128 bits of HMAC-SHA-256 under the secret key."""
    number = _written(message_id)
    return f"{number}-{_signature(number, purpose, key=settings.SECRET_KEY)}"


def message_of(token: str, *, purpose: LinkPurpose) -> int | None:
    """The message whose token this is; None for one that was not signed here for that purpose."""
    parts = TOKEN.fullmatch(token)
    if parts is None:
        return None
    number, signature = parts.groups()
    keys = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    signed = [
        constant_time_compare(signature, _signature(number, purpose, key=key)) for key in keys
    ]
    return int(number, 36) if any(signed) else None


def reply_link(message_id: int) -> str:
    """Where the patient sees what a message offers, and answers."""
    return _address("r", link_token(message_id, purpose=LinkPurpose.REPLY))


def unsubscribe_link(message_id: int) -> str:
    """Where a mail program posts that no more messages are wanted (RFC 8058)."""
    return _address("u", link_token(message_id, purpose=LinkPurpose.UNSUBSCRIBE))


def _address(kind: str, token: str) -> str:
    return f"{settings.FALLOW_PUBLIC_URL.rstrip('/')}/{kind}/{token}"


def _signature(number: str, purpose: LinkPurpose, *, key: str | bytes) -> str:
    digest = salted_hmac(f"{SALT}:{purpose}", number, secret=key, algorithm="sha256").digest()
    return urlsafe_b64encode(digest[:SIGNED_BYTES]).decode().rstrip("=")


def _written(number: int) -> str:
    written = ""
    while number:
        number, digit = divmod(number, 36)
        written = DIGITS[digit] + written
    return written or "0"
