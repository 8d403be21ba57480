"""Signing in and out, and who is signed in."""

from collections.abc import Iterable, Mapping
from typing import Any

from django.contrib.auth import authenticate
from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request
from rest_framework.response import Response

from clinics import selectors
from clinics.access import Grant, actor_for
from clinics.api.serializers.sign_in import MeOut, PasswordIn, TokenIn, TokenOut
from clinics.api.sign_in.signed_in import PersonSignedIn, SignedIn
from clinics.errors import PasswordWrong
from clinics.models import AccessToken, Clinic
from clinics.policy import POLICY
from clinics.services import people, second_factor, sign_in_attempts
from clinics.services.sign_in_attempts import Attempt
from core.api.permissions import PUBLIC
from core.api.schema import UNCONDITIONAL
from core.api.throttling import address_of
from core.api.views import FallowView


class SignInRefused(AuthenticationFailed):
    """One refusal for every reason, so that nobody learns which user names there are."""

    default_code = "sign_in_refused"
    default_detail = "The user name or the password is wrong, or the person is not on the staff."


class SecondFactorNeeded(AuthenticationFailed):
    """The password is right, and a code is asked of this person."""

    default_code = "second_factor_needed"
    default_detail = "This person has a second factor: send its code in `code` too."


class CodeRefused(AuthenticationFailed):
    """The password is right and the code is not, or was given before."""

    default_code = "incorrect_code"
    default_detail = "The code is wrong, or it was given before: wait for the next one."


class TokenView(FallowView):
    """Tokens are opaque; the service keeps only a hash of each."""

    policy = {"post": PUBLIC}
    refusals = {"post": (401, 403)}
    # It is found by being sent.
    unaddressed = ("post",)
    authentication_classes = ()
    throttle_scope = "sign_in"

    def get_authenticate_header(self, request: Request) -> str:
        """Says how to come back: 401 without it would turn into 403."""
        return "Bearer"

    @extend_schema(summary="Sign in: get a token", request=TokenIn, responses={201: TokenOut})
    def post(self, request: Request) -> Response:
        """Everyone may.

        The token expires by itself; how soon is the operator's setting. Who has a second factor
        sends its code too; 429 `sign_in_locked` after too many attempts.
        """
        given = self.parse(TokenIn)
        name, address = given["user_name"], address_of(request)
        attempt = sign_in_attempts.attempt_begin(name=name, address=address, now=self.now())
        user = authenticate(request, username=name, password=given["password"])
        if user is None or actor_for(user.pk, now=self.now()) is None:
            raise SignInRefused
        proven = self._second_factor(user, given.get("code"), attempt)
        sign_in_attempts.attempts_forget(attempt=attempt)
        row, token = AccessToken.objects.create(user, second_factor=proven)
        return self.show(TokenOut, {"token": token, "expires_at": row.expiry}, status=201)

    def _second_factor(self, user: Any, code: str | None, password: Attempt) -> bool:
        """Whether a code was given. Raises SecondFactorNeeded, CodeRefused, SignInLocked."""
        if not second_factor.second_factor_active(user_id=user.pk):
            return False
        sign_in_attempts.attempt_withdraw(attempt=password)
        if code is None:
            raise SecondFactorNeeded
        now = self.now()
        attempt = sign_in_attempts.attempt_begin(name=user.get_username(), address=None, now=now)
        if second_factor.code_spend(user_id=user.pk, code=code, now=now) is None:
            raise CodeRefused
        sign_in_attempts.attempts_forget(attempt=attempt)
        return True


class CurrentTokenView(FallowView):
    """The token that the request came with."""

    policy = {"delete": "own.use"}
    permission_classes = (SignedIn,)

    @extend_schema(
        summary="Sign out: end the token or session that is asked with",
        parameters=[UNCONDITIONAL],
        responses={204: None},
    )
    def delete(self, request: Request) -> Response:
        """Everyone who is signed in may."""
        used: Any = request.auth
        if isinstance(used, AccessToken):
            used.delete()
        else:
            used.flush()
        return Response(status=204)


class MeView(FallowView):
    """Who is signed in."""

    policy = {"get": "own.use"}
    permission_classes = (SignedIn,)

    @extend_schema(summary="Who I am, my chain, my roles and what I may do", responses=MeOut)
    def get(self, request: Request) -> Response:
        """Everyone who is signed in may."""
        return self.show(MeOut, self._me())

    def _me(self) -> dict[str, Any]:
        actor = self.actor
        grants = (*actor.grants, *actor.withheld)
        clinics = selectors.clinics_by_id([grant.clinic_id for grant in grants])
        return {
            "staff": selectors.staff_member_get(actor.staff_id),
            "roles": _roles(actor.grants, clinics),
            "second_factor": second_factor.second_factor_active(user_id=actor.user_id),
            "withheld": _roles(actor.withheld, clinics),
            "scopes": None if actor.scopes is None else sorted(actor.scopes),
            "may": sorted(action for action in POLICY if actor.may(action)),
        }


def _roles(grants: Iterable[Grant], clinics: Mapping[int, Clinic]) -> list[dict[str, Any]]:
    return [{"role": grant.role, "clinic": clinics.get(grant.clinic_id or 0)} for grant in grants]


class OwnPasswordView(FallowView):
    """The password of whoever is signed in."""

    policy = {"post": "own.use"}
    permission_classes = (PersonSignedIn,)
    throttle_scope = "sign_in"

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Counts the attempt before the unit is opened that a wrong password undoes."""
        super().initial(request, *args, **kwargs)
        self.attempt = sign_in_attempts.attempt_begin(
            name=request.user.get_username(), address=address_of(request), now=self.now()
        )

    def handle_exception(self, exc: Exception) -> Response:
        if not isinstance(exc, PasswordWrong) and hasattr(self, "attempt"):
            sign_in_attempts.attempt_withdraw(attempt=self.attempt)
        return super().handle_exception(exc)

    @extend_schema(summary="Change my password", request=PasswordIn, responses={204: None})
    def post(self, request: Request) -> Response:
        """Everyone who is signed in may, but no machine.

        All tokens and sessions of the person end, this one too; 429 `sign_in_locked` after too many
        wrong passwords.
        """
        given = self.parse(PasswordIn)
        people.own_password_change(current=given["current"], new=given["new"], actor=self.actor)
        sign_in_attempts.attempts_forget(attempt=self.attempt)
        return Response(status=204)
