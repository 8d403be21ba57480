"""What allauth asks of its surroundings: no pages, no mail, accounts made by managers only.

allauth keeps the protocol of signing in (which step comes next, what needs proof anew); who may
come in, how secrets are kept and how attempts are counted is said here and in the services.
"""

from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.headless.adapter import DefaultHeadlessAdapter
from allauth.mfa.adapter import DefaultMFAAdapter
from django.http import HttpRequest
from django.utils import timezone

from clinics.access import actor_for
from core import secrets_at_rest


class AccountAdapter(DefaultAccountAdapter):  # type: ignore[misc]
    """People are given a sign-in by a manager of their chain."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        """Nobody makes an account for themselves."""
        return False

    def authenticate(self, request: HttpRequest, **credentials: Any) -> Any:
        """The user of a name and a password, if they are on the staff; else None."""
        user = super().authenticate(request, **credentials)
        if user is None or actor_for(user.pk, now=timezone.now()) is None:
            return None
        return user

    def get_login_stages(self) -> list[str]:
        """After the password a code, for who has set that up; there is no mail to confirm."""
        return ["allauth.mfa.stages.AuthenticateStage"]

    def add_message(self, *args: Any, **kwargs: Any) -> None:
        """There are no pages to show one on."""

    def send_notification_mail(self, *args: Any, **kwargs: Any) -> None:
        """Sign-ins have no address of mail."""


class HeadlessAdapter(DefaultHeadlessAdapter):  # type: ignore[misc]
    """What is told of a person while they sign in."""

    def serialize_user(self, user: Any) -> dict[str, Any]:
        """The name they signed in with; the rest is told by `/me`."""
        return {"username": user.get_username()}


class SecondFactorAdapter(DefaultMFAAdapter):  # type: ignore[misc]
    """Secrets of second factors are read again when a code is checked, so they are encrypted."""

    def encrypt(self, text: str) -> str:
        """For the database."""
        return secrets_at_rest.encrypt(text)

    def decrypt(self, encrypted_text: str) -> str:
        """From the database."""
        return secrets_at_rest.decrypt(encrypted_text)
