"""Tokens of machines: named, for some actions, until an end; shown once."""

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any, Final

from django.contrib.auth import get_user_model

from clinics import locks, selectors
from clinics.access import Actor
from clinics.errors import (
    MachineExpiryUnfit,
    MachineRoleMissing,
    MachineTokenUnknown,
    SignInNameTaken,
)
from clinics.models import AccessToken, StaffMember
from clinics.scopes import actions_of
from clinics.services.changes import changed
from core.db import command, constraint_as, step

User = get_user_model()

LONGEST: Final = timedelta(days=366)


@command
def machine_token_create(
    *,
    staff_member_id: int,
    name: str,
    scopes: Collection[str],
    expires_at: datetime,
    actor: Actor,
    now: datetime,
) -> tuple[AccessToken, str]:
    """A token for a machine, and its text, which nobody can read again.

    It acts as a member of staff (a person, or one who stands for the machine) by the role of an
    integrator alone, whatever else they hold, and for the actions named only. Raises NotAllowed,
    StaffMemberUnknown, MachineRoleMissing, MachineExpiryUnfit, ScopeUnfit.
    """
    actor.require("machine_token.write")
    staff = locks.lock_staff_member(pk=staff_member_id, actor=actor)
    if not staff.active or not selectors.integrates(staff.pk, now=now):
        raise MachineRoleMissing(staff_member=staff.pk)
    if not now < expires_at <= now + LONGEST:
        raise MachineExpiryUnfit(latest=(now + LONGEST).isoformat())
    return AccessToken.objects.make(
        _user_of(staff),
        expires_at=expires_at,
        machine=True,
        name=name,
        scopes=actions_of(scopes),
        made_by_id=actor.staff_id,
    )


@command
def machine_token_revoke(*, pk: int, actor: Actor) -> None:
    """End a machine's token. Raises NotAllowed, MachineTokenUnknown."""
    actor.require("machine_token.write")
    ended, _ = AccessToken.objects.visible_to(actor).filter(pk=pk, machine=True).delete()
    if not ended:
        raise MachineTokenUnknown


@step
def _user_of(staff: StaffMember) -> Any:
    """The sign-in that the token hangs on; a new one has no password and no way to get one."""
    if staff.user is not None:
        return staff.user
    user = User(username=f"machine:{staff.pk}")
    user.set_unusable_password()
    with constraint_as(auth_user_username_key=SignInNameTaken):
        user.save(force_insert=True)
    changed(staff, {"user": user})
    return user
