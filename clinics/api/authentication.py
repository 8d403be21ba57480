"""Bearer tokens and signed-in sessions, and the member of staff behind each."""

from typing import Any

from allauth.headless.contrib.rest_framework.authentication import XSessionTokenAuthentication
from django.utils import timezone
from knox.auth import TokenAuthentication
from rest_framework.authentication import BaseAuthentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from clinics.access import actor_for
from clinics.models import AccessToken
from clinics.sessions import SessionStore, second_factor_given

SESSION_HEADER = "X-Session-Token"


class StaffTokenAuthentication(TokenAuthentication):  # type: ignore[misc]
    """A token counts while its user is an active member of staff; sets `request.actor`.

    The roles are read anew for each request, so one that is taken away is gone at once.
    """

    def authenticate(self, request: Request) -> tuple[object, object] | None:
        found: tuple[Any, Any] | None = super().authenticate(request)
        if found is None:
            return None
        user, token = found
        now = timezone.now()
        actor = actor_for(
            user.pk,
            now=now,
            second_factor=token.second_factor,
            scopes=frozenset(token.scopes) if token.machine else None,
        )
        if actor is None:
            raise AuthenticationFailed("This token belongs to nobody on the staff.")
        if token.machine and token.last_used_on != now.date():
            AccessToken.objects.filter(pk=token.pk).update(last_used_on=now.date())
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


class StaffSessionAuthentication(XSessionTokenAuthentication):  # type: ignore[misc]
    """A session counts while its person is an active member of staff; sets `request.actor`."""

    allow_anonymous_users = False
    allow_invalid_session_tokens = False

    def authenticate(self, request: Request) -> tuple[object, object] | None:
        found: tuple[Any, SessionStore] | None = super().authenticate(request)
        if found is None:
            return None
        user, session = found
        now = timezone.now()
        actor = actor_for(user.pk, now=now, second_factor=second_factor_given(session))
        if actor is None:
            raise AuthenticationFailed("This session belongs to nobody on the staff.")
        session.see(now)
        request.actor = actor  # type: ignore[attr-defined]
        return found

    def authenticate_header(self, request: Request) -> str:
        return SESSION_HEADER


OWN_SESSION: tuple[type[BaseAuthentication], ...] = (StaffSessionAuthentication,)
"""For what concerns the session that is asked with: a token is not enough."""
