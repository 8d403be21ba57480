"""Who asks, and what they may do."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from clinics.errors import NotAllowed
from clinics.policy import POLICY
from clinics.vocabulary import Role, Scope
from core.prepared import Prepared

HELD: Final = Prepared("""
    SELECT id, name, chain_id, held
    FROM clinics_actor(%(user)s::bigint, %(now)s::timestamptz)
""")


SAID: Final = {
    Scope.CLINIC: "Your roles do not allow this at this clinic.",
    Scope.ANYWHERE: "Your roles do not allow this.",
    Scope.CHAIN: "This needs a role held for the whole chain.",
}


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
        """Whether a grant allows the action: at that clinic, or where none is named somewhere.

        An action of the whole chain needs a grant for the whole chain.
        """
        rule = POLICY[action]
        return any(
            grant.role in rule.roles and _reaches(grant, rule.scope, clinic_id=clinic_id)
            for grant in self.grants
        )

    def admit(self, action: str) -> None:
        """Raise NotAllowed unless a role that allows this is held at all.

        What an endpoint asks first, before anything is known of the clinic that is meant.
        """
        if not self.may(action):
            scope = POLICY[action].scope
            raise NotAllowed(SAID[scope], action=action, scope=scope)

    def require(self, action: str) -> None:
        """Raise NotAllowed unless the actor may do this, somewhere or in the whole chain.

        ValueError for an action whose scope is the clinic: that is asked of `require_at`.
        """
        if POLICY[action].scope is Scope.CLINIC:
            raise ValueError(f"{action} is asked at a clinic")
        self.admit(action)

    def require_at(self, clinic_id: int | None, action: str) -> None:
        """Raise NotAllowed unless the actor may do this at that clinic; None: of no clinic.

        ValueError for an action of another scope: that is asked of `require`.
        """
        scope = POLICY[action].scope
        if scope is not Scope.CLINIC:
            raise ValueError(f"{action} is not asked at a clinic")
        if not self.may(action, clinic_id=clinic_id):
            raise NotAllowed(SAID[scope], action=action, scope=scope)


def _reaches(grant: Grant, scope: Scope, *, clinic_id: int | None) -> bool:
    if grant.clinic_id is None:
        return True
    return scope is not Scope.CHAIN and clinic_id in (None, grant.clinic_id)


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
