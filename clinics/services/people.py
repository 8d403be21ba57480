"""Staff, their sign-ins and their roles."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from clinics import locks, selectors
from clinics.access import Actor
from clinics.errors import (
    LastManager,
    MembershipOverlaps,
    PasswordWeak,
    PasswordWrong,
    SignInNameTaken,
)
from clinics.models import Membership, Resource, StaffMember
from clinics.services.changes import changed
from clinics.services.organisation import refuse_visits_ahead
from clinics.services.signed_in import sign_ins_end
from clinics.vocabulary import ResourceKind
from core.db import command, constraint_as, step

User = get_user_model()


@command
def staff_member_create(*, fields: Mapping[str, Any], actor: Actor) -> StaffMember:
    """Add a member of staff, and the resource that bookings lock. Raises NotAllowed."""
    actor.require("staff.write")
    resource = Resource.objects.create(chain_id=actor.chain_id, kind=ResourceKind.STAFF)
    return StaffMember.objects.create(chain_id=actor.chain_id, resource=resource, **fields)


@command
def staff_member_change(
    *,
    pk: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> StaffMember:
    """Change a member of staff. Raises StaffMemberUnknown, NotAllowed, Stale.

    One who leaves (`active` false) can no longer sign in: VisitsInTheWay while visits are booked
    with them, LastManager when nobody else may manage the whole chain. That ends their roles, so
    it is for who may take each of them away; and so is to take somebody back.
    """
    actor.require("staff.write")
    locks.lock_chain(actor=actor)
    staff = locks.lock_staff_member(pk=pk, actor=actor)
    staff.check_version(expected_version)
    if changes.get("active", staff.active) != staff.active:
        for clinic_id in selectors.clinics_of_roles(staff.pk, now=now):
            _require(clinic_id, actor=actor)
    managed = selectors.chain_managed(actor.chain_id, now=now)
    if changes.get("active", True) is False:
        refuse_visits_ahead([staff.resource_id], now=now)
    staff = changed(staff, changes)
    if not staff.active and staff.user_id is not None:
        sign_ins_end(user_id=staff.user_id, machines=True)
    _refuse_unmanaged(managed, actor=actor, now=now)
    return staff


@command
def sign_in_set(
    *, pk: int, user_name: str, password: str, expected_version: int | None, actor: Actor
) -> StaffMember:
    """Give a member of staff a user name and a password, or new ones. All their tokens end.

    Only a role held for the whole chain may: who sets a password can act as that person. Raises
    StaffMemberUnknown, NotAllowed, Stale, SignInNameTaken, PasswordWeak.
    """
    actor.require("sign_in.write")
    staff = locks.lock_staff_member(pk=pk, actor=actor)
    staff.check_version(expected_version)
    user = staff.user or User()
    user.username = user_name
    set_password(user, password, field="password")
    with constraint_as(auth_user_username_key=SignInNameTaken):
        user.save()
    # The name and the password hang on the row, and are not of it.
    staff.note_change()
    return changed(staff, {"user": user})


@command
def sign_in_remove(
    *, pk: int, expected_version: int | None, actor: Actor, now: datetime
) -> StaffMember:
    """Take the sign-in of a member of staff away; their tokens end with it.

    Only a role held for the whole chain may. Raises StaffMemberUnknown, NotAllowed, Stale,
    LastManager.
    """
    actor.require("sign_in.write")
    locks.lock_chain(actor=actor)
    staff = locks.lock_staff_member(pk=pk, actor=actor)
    staff.check_version(expected_version)
    user = staff.user
    if user is None:
        return staff
    managed = selectors.chain_managed(actor.chain_id, now=now)
    staff = changed(staff, {"user": None})
    user.delete()
    _refuse_unmanaged(managed, actor=actor, now=now)
    return staff


@command
def own_password_change(*, current: str, new: str, actor: Actor) -> None:
    """Change the caller's own password; all their tokens end.

    Raises PasswordWrong and PasswordWeak.
    """
    user = User.objects.get(pk=actor.user_id)
    if not user.check_password(current):
        raise PasswordWrong
    set_password(user, new, field="new")
    user.save()


@command
def membership_create(*, fields: Mapping[str, Any], actor: Actor) -> Membership:
    """Give a member of staff a role, at one clinic or (without a clinic) in the whole chain.

    A role for the whole chain is given only by who holds one. Raises NotAllowed,
    MembershipOverlaps.
    """
    membership = Membership(**fields)
    _require(membership.clinic_id, actor=actor)
    with constraint_as(membership_once_at_a_time=MembershipOverlaps):
        membership.save(force_insert=True)
    return membership


@command
def membership_change(
    *,
    pk: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Membership:
    """Change from when to when a role is held; an end that has passed takes it away.

    Raises MembershipUnknown, NotAllowed, Stale, MembershipOverlaps, LastManager.
    """
    locks.lock_chain(actor=actor)
    membership = locks.lock_membership(pk=pk, actor=actor)
    _require(membership.clinic_id, actor=actor)
    membership.check_version(expected_version)
    managed = selectors.chain_managed(actor.chain_id, now=now)
    with constraint_as(membership_once_at_a_time=MembershipOverlaps):
        membership = changed(membership, changes)
    _refuse_unmanaged(managed, actor=actor, now=now)
    return membership


@command
def membership_remove(
    *, pk: int, expected_version: int | None, actor: Actor, now: datetime
) -> None:
    """Remove a role as if it had never been given; to end one, change its validity.

    Raises MembershipUnknown, NotAllowed, Stale, LastManager.
    """
    locks.lock_chain(actor=actor)
    membership = locks.lock_membership(pk=pk, actor=actor)
    _require(membership.clinic_id, actor=actor)
    membership.check_version(expected_version)
    managed = selectors.chain_managed(actor.chain_id, now=now)
    membership.delete()
    _refuse_unmanaged(managed, actor=actor, now=now)


def _require(clinic_id: int | None, *, actor: Actor) -> None:
    if clinic_id is None:
        actor.require("membership.of_chain")
    else:
        actor.require_at(clinic_id, "membership.write")


@step
def _refuse_unmanaged(managed_before: bool, *, actor: Actor, now: datetime) -> None:
    """Raise LastManager when this unit takes away the last who may manage the whole chain.

    The chain's row is locked, so two managers cannot remove each other at once.
    """
    if managed_before and not selectors.chain_managed(actor.chain_id, now=now):
        raise LastManager


def set_password(user: Any, password: str, *, field: str) -> None:
    """Set a password that meets the rules; all sessions and tokens end. Raises PasswordWeak."""
    try:
        validate_password(password, user)
    except ValidationError as fault:
        errors = [
            {"pointer": f"/{field}", "code": error.code, "detail": " ".join(error.messages)}
            for error in fault.error_list
        ]
        raise PasswordWeak(" ".join(fault.messages), errors=errors) from fault
    user.set_password(password)
    if user.pk:
        sign_ins_end(user_id=user.pk, machines=False)
