"""The permission of what everyone may who is signed in, whatever their roles."""

from rest_framework.request import Request
from rest_framework.views import APIView

from core.api.permissions import PolicyPermission, answered_action


class SignedIn(PolicyPermission):
    """Any member of staff, also one who holds no role or whose roles are withheld."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        answered_action(request, view)
        return getattr(request, "actor", None) is not None
