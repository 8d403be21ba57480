"""Many processes at one sign-in: no more guesses than for one, and each code taken once."""

from base64 import b32encode
from datetime import UTC, datetime
from threading import Barrier

import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value

from clinics.models import SignInFailure
from clinics.services.second_factor import code_spend
from clinics.services.sign_in_attempts import attempt_begin
from core import secrets_at_rest
from tests.support.factories import make_staff
from tests.support.threads import at_once

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

THREADS = 12
ATTEMPTS = 5
NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)


def test_no_more_attempts_are_heard_than_of_one():
    def attempt():
        return attempt_begin(name="somebody", address="192.0.2.1", now=NOW).key

    seen = at_once(*[attempt] * THREADS)
    assert seen.count("sign_in_locked") == THREADS - ATTEMPTS
    assert SignInFailure.objects.get().failures == ATTEMPTS


def test_control_counted_afterwards_all_are_heard():
    together = Barrier(THREADS, timeout=20)

    def attempt():
        held = SignInFailure.objects.filter(key="k").first()
        together.wait()
        if held is not None and held.failures >= ATTEMPTS:
            return "sign_in_locked"
        SignInFailure.objects.update_or_create(
            key="k", defaults={"name_key": "n", "failures": 1, "last_at": NOW}
        )
        return "heard"

    assert at_once(*[attempt] * THREADS).count("heard") == THREADS


def test_a_code_given_at_the_same_moment_is_taken_once():
    user = make_staff(user=True).user
    secret = b32encode(b"12345678901234567890").decode()
    data = {"secret": secrets_at_rest.encrypt(secret)}
    Authenticator.objects.create(user=user, type=Authenticator.Type.TOTP, data=data)
    code = format_hotp_value(hotp_value(secret, int(NOW.timestamp()) // 30))
    taken = at_once(*[lambda: code_spend(user_id=user.pk, code=code, now=NOW)] * THREADS)
    assert sum(spent is not None for spent in taken) == 1
