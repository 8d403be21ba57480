"""Who asks, and what they may do."""

from dataclasses import dataclass
from datetime import datetime

from clinics.errors import NotAllowed
from clinics.models import Membership, StaffMember
from clinics.policy import POLICY
from clinics.vocabulary import Role


@dataclass(frozen=True, slots=True)
class Grant:
    """One role, at one clinic or (None) in the whole chain."""

    role: Role
    clinic_id: int | None


@dataclass(frozen=True, slots=True)
class Actor:
    """A member of staff as they stand at one instant; read anew for each request."""

    user_id: int
    staff_id: int
    staff_name: str
    chain_id: int
    grants: tuple[Grant, ...]

    def may(self, action: str, *, clinic_id: int | None = None) -> bool:
        """Whether a grant allows the action: at that clinic, or anywhere when none is named."""
        roles = POLICY[action]
        return any(
            grant.role in roles
            and (clinic_id is None or grant.clinic_id is None or grant.clinic_id == clinic_id)
            for grant in self.grants
        )

    def may_everywhere(self, action: str) -> bool:
        """Whether a role held for the whole chain allows the action."""
        roles = POLICY[action]
        return any(grant.role in roles and grant.clinic_id is None for grant in self.grants)

    def require_everywhere(self, action: str) -> None:
        """Raise NotAllowed unless a role held for the whole chain allows this."""
        if not self.may_everywhere(action):
            raise NotAllowed(
                "This needs a role held for the whole chain.", action=action, scope="chain"
            )

    def require(self, action: str, *, clinic_id: int | None = None) -> None:
        """Raise NotAllowed unless the actor may do this (at that clinic)."""
        if not self.may(action, clinic_id=clinic_id):
            raise NotAllowed(action=action)


def actor_for(user_id: int, *, now: datetime) -> Actor | None:
    """The actor behind a sign-in, or None when it belongs to no active member of staff.

    Two queries. Memberships count only while their validity contains `now`, so that removing a
    role works on the next request.
    """
    staff = StaffMember.objects.filter(user_id=user_id, active=True).first()
    if staff is None:
        return None
    rows = Membership.objects.filter(staff_member=staff, valid_during__contains=now).values_list(
        "role", "clinic_id"
    )
    return Actor(
        user_id=user_id,
        staff_id=staff.pk,
        staff_name=staff.name,
        chain_id=staff.chain_id,
        grants=tuple(Grant(role=Role(role), clinic_id=clinic_id) for role, clinic_id in rows),
    )
