"""Time-based codes against the values that the RFCs print.

Sources: RFC 4226 (HOTP), appendix D: the secret "12345678901234567890", counters 0 to 9; RFC 6238
(TOTP), appendix B, the lines of SHA-1: the same secret, eight digits, steps of 30 s from 1970;
RFC 6238, section 5.2: the second attempt of a code is refused.
"""

from base64 import b32encode
from datetime import UTC, datetime, timedelta

import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value

from clinics.services.second_factor import code_spend, matching_step
from core import secrets_at_rest
from tests.support.factories import make_staff

SECRET = b32encode(b"12345678901234567890").decode()
RFC_4226_D = (
    "755224",
    "287082",
    "359152",
    "969429",
    "338314",
    "254676",
    "287922",
    "162583",
    "399871",
    "520489",
)
RFC_6238_B = {
    59: "94287082",
    1111111109: "07081804",
    1111111111: "14050471",
    1234567890: "89005924",
    2000000000: "69279037",
    20000000000: "65353130",
}


@pytest.mark.parametrize(("counter", "code"), list(enumerate(RFC_4226_D)))
def test_codes_by_counter(counter, code):
    assert format_hotp_value(hotp_value(SECRET, counter)) == code


@pytest.mark.parametrize(("seconds", "code"), list(RFC_6238_B.items()))
def test_codes_by_time(settings, seconds, code):
    settings.MFA_TOTP_DIGITS = 8
    now = datetime.fromtimestamp(seconds, tz=UTC)
    assert matching_step(SECRET, code, now=now) == seconds // 30


@pytest.mark.parametrize(("seconds", "code"), list(RFC_6238_B.items()))
def test_a_clock_a_step_away_is_followed_and_no_further(settings, seconds, code):
    settings.MFA_TOTP_DIGITS = 8
    now = datetime.fromtimestamp(seconds, tz=UTC)
    for steps, found in ((-2, False), (-1, True), (1, True), (2, False)):
        there = matching_step(SECRET, code, now=now + timedelta(seconds=30 * steps))
        assert (there is not None) is found


@pytest.mark.django_db
def test_the_second_attempt_of_a_code_is_refused():
    user = make_staff(user=True).user
    data = {"secret": secrets_at_rest.encrypt(SECRET)}
    Authenticator.objects.create(user=user, type=Authenticator.Type.TOTP, data=data)
    now = datetime.fromtimestamp(59, tz=UTC)
    code = format_hotp_value(hotp_value(SECRET, 1))
    assert code_spend(user_id=user.pk, code=code, now=now) is not None
    assert code_spend(user_id=user.pk, code=code, now=now) is None
    later = format_hotp_value(hotp_value(SECRET, 2))
    assert code_spend(user_id=user.pk, code=later, now=now) is not None
