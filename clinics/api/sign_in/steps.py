"""allauth's steps where they differ from its own.

A password is taken as it was typed; codes are taken once, and attempts counted.
"""

from typing import Any

from allauth.account.fields import PasswordField
from allauth.account.internal.flows.login import record_authentication
from allauth.headless.account.inputs import LoginInput
from allauth.headless.account.views import LoginView
from allauth.headless.mfa import inputs, views
from allauth.mfa.adapter import get_adapter
from allauth.mfa.models import Authenticator
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from clinics.services import second_factor, sign_in_attempts, signed_in


class PasswordInput(LoginInput):  # type: ignore[misc]
    """A name and a password, of whose ends no space is cut."""

    password = PasswordField()


class PasswordStep(LoginView):  # type: ignore[misc]
    """Begin to sign in, with a password."""

    input_class = PasswordInput


class CodeOnce:
    """A code that is taken once, and whose wrong ones lock."""

    user: Any
    cleaned_data: dict[str, Any]
    authenticator: Authenticator

    def clean_code(self) -> str:
        """The code, spent. Raises SignInLocked, and a validation error for a wrong one."""
        code: str = self.cleaned_data["code"]
        now = timezone.now()
        attempt = sign_in_attempts.attempt_begin(
            name=self.user.get_username(), address=None, now=now
        )
        spent = second_factor.code_spend(user_id=self.user.pk, code=code, now=now)
        if spent is None:
            raise get_adapter().validation_error("incorrect_code")
        sign_in_attempts.attempts_forget(attempt=attempt)
        self.authenticator = spent
        return code


class AuthenticateInput(CodeOnce, inputs.AuthenticateInput):  # type: ignore[misc]
    """The code that completes a sign-in."""


class ReauthenticateInput(CodeOnce, inputs.ReauthenticateInput):  # type: ignore[misc]
    """The code that proves anew who is signed in."""


class AuthenticateStep(views.AuthenticateView):  # type: ignore[misc]
    """Complete a sign-in with a code."""

    input_class = AuthenticateInput


class ReauthenticateStep(views.ReauthenticateView):  # type: ignore[misc]
    """Prove anew who is signed in, with a code."""

    input_class = ReauthenticateInput


class TotpStep(views.ManageTOTPView):  # type: ignore[misc]
    """Set the second factor up, or take it away."""

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """The code that sets it up is spent by that, and the session counts as proven."""
        answer: HttpResponse = super().post(request, *args, **kwargs)
        code = self.input.cleaned_data["code"]
        user: Any = request.user
        second_factor.code_spend(user_id=user.pk, code=code, now=timezone.now())
        record_authentication(request, user, "mfa", type=Authenticator.Type.TOTP)
        return answer

    def delete(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """All sign-ins of the person end with it, this session too."""
        answer: HttpResponse = super().delete(request, *args, **kwargs)
        user_id: Any = request.user.pk
        request.session.flush()
        signed_in.sign_ins_end(user_id=user_id, machines=False)
        return answer
