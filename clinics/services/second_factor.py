"""The second factor of a sign-in: time-based codes (RFC 6238) and codes for recovery.

allauth keeps the secrets and computes the codes. That each is taken once is kept here, in the row
itself under its lock: RFC 6238 (section 5.2) wants the second attempt of a code refused, also
where the cache is away and whichever process is asked.
"""

from datetime import datetime
from typing import Final

from allauth.core.internal.cryptokit import compare_user_code
from allauth.mfa import app_settings
from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from allauth.mfa.utils import decrypt
from django.contrib.auth import get_user_model

from clinics import locks
from clinics.access import Actor
from clinics.errors import SignInUnknown
from clinics.models import StaffMember
from clinics.services.sign_in_attempts import attempts_forget_of
from clinics.services.signed_in import sign_ins_end
from core.db import command, step

LAST_STEP: Final = "last_step"


def second_factor_active(*, user_id: int) -> bool:
    """Whether a code is asked of this person."""
    rows = Authenticator.objects.filter(user_id=user_id, type=Authenticator.Type.TOTP)
    return bool(rows.exists())


@command
def code_spend(*, user_id: int, code: str, now: datetime) -> Authenticator | None:
    """What the code belongs to, or None when it is wrong or was given before.

    A time-based code is right for its own 30 s and those before and after; none is taken that is
    not of a later step than the last one taken.
    """
    for row in locks.lock_second_factors(user_id=user_id):
        is_totp = row.type == Authenticator.Type.TOTP
        if _spend_step(row, code, now=now) if is_totp else RecoveryCodes(row).validate_code(code):
            return row
    return None


@command
def second_factor_reset(*, pk: int, expected_version: int | None, actor: Actor) -> StaffMember:
    """Take the second factor of somebody away who has lost it; all their sign-ins end.

    Only a role held for the whole chain may. Raises StaffMemberUnknown, NotAllowed, Stale.
    """
    actor.require("sign_in.write")
    staff = locks.lock_staff_member(pk=pk, actor=actor)
    staff.check_version(expected_version)
    if staff.user_id is not None:
        _take_away(staff.user_id)
    return staff


@command
def sign_in_free(*, user_name: str) -> None:
    """The same for a user name, and lift its locks: by who runs the service. SignInUnknown."""
    user = get_user_model().objects.filter(username=user_name).first()
    if user is None:
        raise SignInUnknown
    _take_away(user.pk)
    attempts_forget_of(name=user_name)


@step
def _take_away(user_id: int) -> None:
    Authenticator.objects.filter(user_id=user_id).delete()
    sign_ins_end(user_id=user_id, machines=False)


def _spend_step(row: Authenticator, code: str, *, now: datetime) -> bool:
    step = matching_step(decrypt(row.data["secret"]), code, now=now)
    if step is None or step <= row.data.get(LAST_STEP, -1):
        return False
    row.data[LAST_STEP] = step
    row.save(update_fields=["data"])
    return True


def matching_step(secret: str, code: str, *, now: datetime) -> int | None:
    """The step of time whose code this is, near `now`; None when there is none."""
    current = int(now.timestamp()) // app_settings.TOTP_PERIOD
    tolerance = app_settings.TOTP_TOLERANCE
    near = range(max(0, current - tolerance), current + tolerance + 1)
    return next((step for step in near if _is_code_of(secret, step, code)), None)


def _is_code_of(secret: str, step: int, code: str) -> bool:
    expected = format_hotp_value(hotp_value(secret, step))
    return bool(compare_user_code(actual=code, expected=expected))
