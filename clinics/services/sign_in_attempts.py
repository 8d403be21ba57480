"""Locks after attempts to sign in that did not succeed, kept in the database.

An attempt is counted before it is judged, by one statement under the row's lock, so that many
processes together hear no more attempts than one. What is known to be right is taken off again.
Unknown names count like known ones, and the rows name nobody: their keys are digests under the
service's secret.

A password is counted for a name with an address, so that a stranger cannot lock a person out. A
code is counted for the name alone: who gets as far as being asked for one knows the password.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from django.conf import settings
from django.db.models import F, Value
from django.db.models.functions import Greatest
from django.utils.crypto import salted_hmac

from clinics.errors import SignInLocked
from clinics.models import SignInFailure
from core.db import command
from core.prepared import Prepared

SALT: Final = "fallow.sign-in-attempts"
COUNT: Final = Prepared("""
    INSERT INTO clinics_signinfailure AS held (key, name_key, failures, last_at, locked_until)
    VALUES (%(key)s::text, %(name_key)s::text, 1, %(now)s::timestamptz, %(locked)s::timestamptz)
    ON CONFLICT (key) DO UPDATE SET
        last_at = EXCLUDED.last_at,
        failures = CASE WHEN held.locked_until IS NULL AND held.last_at > %(since)s::timestamptz
                        THEN held.failures + 1 ELSE 1 END,
        locked_until = CASE WHEN held.locked_until IS NULL AND held.last_at > %(since)s::timestamptz
                             AND held.failures + 1 >= %(attempts)s::int
                            THEN %(until)s::timestamptz ELSE EXCLUDED.locked_until END
    WHERE held.locked_until IS NULL OR held.locked_until <= EXCLUDED.last_at
    RETURNING id
""")


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt that is being judged."""

    key: str

    @classmethod
    def at(cls, name: str, address: str) -> "Attempt":
        """An attempt with a password."""
        return cls(_digest("password", name.strip(), address))

    @classmethod
    def by_code(cls, name: str) -> "Attempt":
        """An attempt with a code."""
        return cls(_digest("code", name.strip()))


@command
def attempt_begin(*, name: str, address: str | None, now: datetime) -> Attempt:
    """Count an attempt of this name from this address; None: with a code, wherever from.

    Raises SignInLocked while no attempt is heard.
    """
    attempt = Attempt.by_code(name) if address is None else Attempt.at(name, address)
    lock: timedelta = settings.FALLOW_SIGN_IN_LOCK
    attempts: int = settings.FALLOW_SIGN_IN_ATTEMPTS
    until = now + lock
    counted = COUNT.rows(
        key=attempt.key,
        name_key=_digest("name", name.strip()),
        now=now,
        since=now - lock,
        until=until,
        locked=until if attempts <= 1 else None,
        attempts=attempts,
    )
    if not counted:
        held = SignInFailure.objects.filter(key=attempt.key).first()
        ends = held.locked_until if held and held.locked_until else until
        raise SignInLocked(retry_after_s=max(1, round((ends - now).total_seconds())))
    return attempt


@command
def attempt_withdraw(*, attempt: Attempt) -> None:
    """It was no failure, though not a whole sign-in either: as if it had not been made."""
    SignInFailure.objects.filter(key=attempt.key).update(
        failures=Greatest(F("failures") - 1, Value(0)), locked_until=None
    )


@command
def attempts_forget(*, attempt: Attempt) -> None:
    """It succeeded: those before it count no more."""
    SignInFailure.objects.filter(key=attempt.key).delete()


@command
def attempts_forget_of(*, name: str) -> int:
    """Forget all attempts of a name, from wherever; gives from how many places there were any."""
    forgotten, _ = SignInFailure.objects.filter(name_key=_digest("name", name.strip())).delete()
    return forgotten


def locked_until(*, name: str, now: datetime) -> datetime | None:
    """Until when attempts of this name are not heard from somewhere; None: they are."""
    rows = SignInFailure.objects.filter(name_key=_digest("name", name), locked_until__gt=now)
    latest: datetime | None = (
        rows.order_by("-locked_until").values_list("locked_until", flat=True).first()
    )
    return latest


def _digest(*parts: str) -> str:
    return salted_hmac(SALT, "\0".join(parts), algorithm="sha256").hexdigest()
