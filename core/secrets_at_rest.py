"""What must be read again but not by who holds a copy of the database: encrypted columns.

Fernet (AES-128 in CBC mode with HMAC-SHA-256) over the keys of `FALLOW_ENCRYPTION_KEYS`: the first
encrypts, each of them decrypts. A key is changed by putting a new one in front, writing anew what
was written under the old ones, and taking these away.
"""

from functools import lru_cache
from typing import Final

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from django.conf import settings

__all__ = ["InvalidToken", "decrypt", "encrypt", "is_current", "renewed"]

ENCODING: Final = "utf-8"


def encrypt(text: str) -> str:
    """The text under the first key, as printable ASCII; another one each time."""
    return _keys(tuple(settings.FALLOW_ENCRYPTION_KEYS)).encrypt(text.encode(ENCODING)).decode()


def decrypt(stored: str) -> str:
    """What `encrypt` was given. Raises InvalidToken for what no key of ours has made."""
    return _keys(tuple(settings.FALLOW_ENCRYPTION_KEYS)).decrypt(stored.encode()).decode(ENCODING)


def renewed(stored: str) -> str:
    """The same text under the first key. Raises InvalidToken."""
    return _keys(tuple(settings.FALLOW_ENCRYPTION_KEYS)).rotate(stored.encode()).decode()


def is_current(stored: str) -> bool:
    """Whether the first key made it, so that it need not be written anew."""
    try:
        _keys(tuple(settings.FALLOW_ENCRYPTION_KEYS[:1])).decrypt(stored.encode())
    except InvalidToken:
        return False
    return True


@lru_cache(maxsize=4)
def _keys(keys: tuple[str, ...]) -> MultiFernet:
    return MultiFernet([Fernet(key) for key in keys])
