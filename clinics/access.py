"""Who asks, and what they may do."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from clinics.errors import NotAllowed
from clinics.policy import POLICY
from clinics.vocabulary import Role
from core.prepared import Prepared

HELD: Final = Prepared("""
    SELECT id, name, chain_id, held
    FROM clinics_actor(%(user)s::bigint, %(now)s::timestamptz)
""")


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

    One query. Memberships count only while their validity contains `now`, so that removing a
    role works on the next request.
    """
    for staff_id, name, chain_id, held in HELD.rows(user=user_id, now=now):
        return Actor(
            user_id=user_id,
            staff_id=staff_id,
            staff_name=name,
            chain_id=chain_id,
            grants=tuple(Grant(role=Role(role), clinic_id=clinic) for role, clinic in held or ()),
        )
    return None
