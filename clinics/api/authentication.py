"""Bearer tokens, and the member of staff behind each."""

from typing import Any

from django.utils import timezone
from knox.auth import TokenAuthentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from clinics.access import actor_for


class StaffTokenAuthentication(TokenAuthentication):  # type: ignore[misc]
    """A token counts while its user is an active member of staff; sets `request.actor`.

    The roles are read anew for each request, so one that is taken away is gone at once.
    """

    def authenticate(self, request: Request) -> tuple[object, object] | None:
        found: tuple[object, object] | None = super().authenticate(request)
        if found is None:
            return None
        user, _ = found
        actor = actor_for(user.pk, now=timezone.now())  # type: ignore[attr-defined]
        if actor is None:
            raise AuthenticationFailed("This token belongs to nobody on the staff.")
        request.actor = actor  # type: ignore[attr-defined]
        return found

    def _cleanup_token(self, auth_token: Any) -> bool:
        """Whether this token is over, and if so forget it; others are looked at when they come."""
        if auth_token.expiry is None or auth_token.expiry >= timezone.now():
            return False
        auth_token.delete()
        return True

    def authenticate_credentials(self, token: bytes) -> tuple[object, object]:
        if not token.isascii():
            raise AuthenticationFailed("Invalid token.")
        credentials: tuple[object, object] = super().authenticate_credentials(token)
        return credentials
