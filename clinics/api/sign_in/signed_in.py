"""The permission of what everyone may who is signed in, whatever their roles."""

from rest_framework.request import Request
from rest_framework.views import APIView

from core.api.permissions import PolicyPermission


class SignedIn(PolicyPermission):
    """Any member of staff, also one who holds no role or whose roles are withheld."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return getattr(request, "actor", None) is not None
