"""Secrets of second factors are written anew under the first encryption key."""

from typing import Any

from allauth.mfa.models import Authenticator

from core.db import command, lock_rows
from core.secrets_at_rest import InvalidToken, is_current, renewed


@command
def second_factors_renew() -> int:
    """Write those anew that are under an older key; how many. A second run finds none."""
    changed = 0
    for row in lock_rows(Authenticator.objects.all()):
        data = {name: _renewed(value) for name, value in row.data.items()}
        if data != row.data:
            row.data = data
            row.save(update_fields=["data"])
            changed += 1
    return changed


def _renewed(value: Any) -> Any:
    if not isinstance(value, str) or is_current(value):
        return value
    try:
        return renewed(value)
    except InvalidToken:
        # Not one of ours, such as a name.
        return value
