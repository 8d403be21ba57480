"""Who asks, and what they may do."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from clinics.errors import NotAllowed, OutOfScope, SecondFactorMissing
from clinics.policy import POLICY
from clinics.vocabulary import Role, Scope
from core.errors import Forbidden
from core.prepared import Prepared

HELD: Final = Prepared("""
    SELECT id, name, chain_id, held, demanding
    FROM clinics_signed_in(%(user)s::bigint, %(now)s::timestamptz)
""")


SAID: Final = {
    Scope.CLINIC: "Your roles do not allow this at this clinic.",
    Scope.ANYWHERE: "Your roles do not allow this.",
    Scope.CHAIN: "This needs a role held for the whole chain.",
}

HOW_TO_MEND: Final = (
    "Your role counts only with a second factor. Sign in again and give a code; where none is set "
    "up yet, sign in at /api/v1/auth/login and set one up at /api/v1/account/authenticators/totp."
)


@dataclass(frozen=True, slots=True)
class Grant:
    """One role, at one clinic or (None) in the whole chain."""

    role: Role
    clinic_id: int | None


@dataclass(frozen=True, slots=True)
class Actor:
    """A member of staff as they stand at one instant; read anew for each request.

    `withheld` are roles that the chain lets count only with a second factor, where none was given.
    `scopes` are the actions that the token of a machine was made for; None: whatever roles allow.
    """

    user_id: int
    staff_id: int
    staff_name: str
    chain_id: int
    grants: tuple[Grant, ...]
    withheld: tuple[Grant, ...] = ()
    scopes: frozenset[str] | None = None

    def may(self, action: str, *, clinic_id: int | None = None) -> bool:
        """Whether a grant allows the action: at that clinic, or where none is named somewhere.

        An action of the whole chain needs a grant for the whole chain.
        """
        if self.scopes is not None and action not in self.scopes:
            return False
        return _allow(self.grants, action, clinic_id=clinic_id)

    def admit(self, action: str) -> None:
        """Raise NotAllowed unless a role that allows this is held at all.

        What an endpoint asks first, before anything is known of the clinic that is meant.
        """
        if not self.may(action):
            raise self._refusal(action)

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
            raise self._refusal(action, clinic_id=clinic_id)

    def _refusal(self, action: str, *, clinic_id: int | None = None) -> Forbidden:
        if self.scopes is not None and action not in self.scopes:
            return OutOfScope(action=action, scopes=sorted(self.scopes))
        if _allow(self.withheld, action, clinic_id=clinic_id):
            return SecondFactorMissing(HOW_TO_MEND, action=action)
        scope = POLICY[action].scope
        return NotAllowed(SAID[scope], action=action, scope=scope)


def _allow(grants: tuple[Grant, ...], action: str, *, clinic_id: int | None) -> bool:
    rule = POLICY[action]
    return any(
        grant.role in rule.roles and _reaches(grant, rule.scope, clinic_id=clinic_id)
        for grant in grants
    )


def _reaches(grant: Grant, scope: Scope, *, clinic_id: int | None) -> bool:
    if grant.clinic_id is None:
        return True
    return scope is not Scope.CHAIN and clinic_id in (None, grant.clinic_id)


def actor_for(
    user_id: int,
    *,
    now: datetime,
    second_factor: bool = False,
    scopes: frozenset[str] | None = None,
) -> Actor | None:
    """The actor behind a sign-in, or None when it belongs to no active member of staff.

    One query. Memberships count only while their validity contains `now`, so that removing a
    role works on the next request. A machine (`scopes`) acts as an integrator, whatever else the
    member of staff may be.
    """
    for staff_id, name, chain_id, held, demanding in HELD.rows(user=user_id, now=now):
        grants = tuple(Grant(role=Role(role), clinic_id=clinic) for role, clinic in held or ())
        if scopes is not None:
            grants = tuple(grant for grant in grants if grant.role is Role.INTEGRATOR)
        without_proof = scopes is None and not second_factor
        withheld = tuple(g for g in grants if without_proof and g.role in demanding)
        return Actor(
            user_id=user_id,
            staff_id=staff_id,
            staff_name=name,
            chain_id=chain_id,
            grants=tuple(grant for grant in grants if grant not in withheld),
            withheld=withheld,
            scopes=scopes,
        )
    return None
