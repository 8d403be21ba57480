"""The permissions of what everyone may who is signed in, whatever their roles."""

from rest_framework.request import Request
from rest_framework.views import APIView

from clinics.errors import OutOfScope
from core.api.permissions import PolicyPermission, answered_action, policy_of


class SignedIn(PolicyPermission):
    """Any member of staff, also one who holds no role or whose roles are withheld."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        answered_action(request, view)
        return getattr(request, "actor", None) is not None


class PersonSignedIn(SignedIn):
    """The same, but no machine: its token hangs on somebody whose password is none of its business.

    Raises OutOfScope for one.
    """

    def has_permission(self, request: Request, view: APIView) -> bool:
        action = answered_action(request, view)
        scopes = getattr(getattr(request, "actor", None), "scopes", None)
        if action is not None and scopes is not None:
            raise OutOfScope(action=policy_of(view, action), scopes=sorted(scopes))
        return super().has_permission(request, view)
