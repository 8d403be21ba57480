"""Columns that a copy of the database does not tell, and how their values are found all the same.

A text is stored under the keys of `core.secrets_at_rest`: another ciphertext each time, so nothing
can be compared or looked up by it. Where a value must be found, a blind index stands beside it: an
HMAC-SHA-256 of the value under a key that HKDF (RFC 5869) derives from `FALLOW_INDEX_KEYS` for
each realm (a chain), so that neither a list of phone numbers nor the index of another realm tells
whose value it is. The first index key writes, all of them are looked for.
"""

import hashlib
import hmac
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings
from django.core.exceptions import FieldError
from django.db import models

from core.secrets_at_rest import decrypt, encrypt

KEY_BYTES: Final = 32
INDEX_LENGTH: Final = 2 * hashlib.sha256().digest_size
LOOKUPS: Final = ("isnull",)

if TYPE_CHECKING:
    _TextField = models.TextField[str, str]
    _CharField = models.CharField[str, str]
else:
    _TextField, _CharField = models.TextField, models.CharField


def blind_index(value: str, *, realm: int) -> str:
    """The index of a value as it is written: 64 hexadecimal digits, upper and lower case alike."""
    return blind_indexes(value, realm=realm)[0]


def blind_indexes(value: str, *, realm: int) -> list[str]:
    """The index of a value under each key, for looking it up while keys are changed."""
    told = value.casefold().encode()
    return [
        hmac.new(_derived(key, realm), told, hashlib.sha256).hexdigest()
        for key in settings.FALLOW_INDEX_KEYS
    ]


@lru_cache(maxsize=4096)
def _derived(key: str, realm: int) -> bytes:
    info = f"fallow blind index {realm}".encode()
    return HKDF(algorithm=SHA256(), length=KEY_BYTES, salt=None, info=info).derive(key.encode())


class EncryptedTextField(_TextField):
    """A text in plain in Python and under the encryption keys in the database; "" stays "".

    It cannot be filtered by: a look-up would compare ciphertexts, of which no two are the same.
    """

    def get_prep_value(self, value: Any) -> Any:
        """What is stored."""
        return encrypt(str(value)) if value else value

    def from_db_value(self, value: str | None, *_: Any) -> str | None:
        """What was stored. Raises InvalidToken when no key of ours has made it."""
        return decrypt(value) if value else value

    def get_lookup(self, lookup_name: str) -> Any:
        """Refuse what could never match. Raises FieldError."""
        if lookup_name not in LOOKUPS:
            raise FieldError(f"{self.name} is encrypted: look it up by its blind index.")
        return super().get_lookup(lookup_name)


class BlindIndexField(_CharField):
    """The blind index of another column of its row, written whenever the row is.

    Its model has `indexed_value` and `index_realm`. Rows that are copied into the table past
    Django bring it along.
    """

    def __init__(self, **options: Any) -> None:
        options.update(max_length=INDEX_LENGTH, editable=False)
        super().__init__(**options)

    def pre_save(self, model_instance: Any, add: bool) -> str:  # noqa: ARG002
        """Computed anew from the row."""
        value = model_instance.indexed_value
        index = blind_index(value, realm=model_instance.index_realm) if value else ""
        setattr(model_instance, self.attname, index)
        return index
