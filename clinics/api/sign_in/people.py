"""Signing in with a password and a code; proving anew; the second factor; open sessions."""

from http import HTTPStatus
from typing import Any

from allauth.headless.account import views as account
from allauth.headless.mfa import views as second_factor
from drf_spectacular.utils import OpenApiResponse, extend_schema, extend_schema_view
from rest_framework.mixins import DestroyModelMixin
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.api.authentication import OWN_SESSION, SESSION_HEADER
from clinics.api.serializers.sign_in import (
    AuthenticatorsOut,
    CodeIn,
    LoginIn,
    OwnSessionOut,
    ProofIn,
    RecoveryCodesOut,
    SignInStateOut,
    TotpOut,
)
from clinics.api.sign_in.protocol import NOT_SIGNED_IN, SignInStep
from clinics.api.sign_in.signed_in import PersonSignedIn, SignedIn
from clinics.api.sign_in.steps import AuthenticateStep, PasswordStep, ReauthenticateStep, TotpStep
from clinics.models import SignInSession
from clinics.services import sign_in_attempts, signed_in
from clinics.services.sign_in_attempts import Attempt
from clinics.sessions import alive
from core.api.permissions import PUBLIC
from core.api.problem import MEDIA_TYPE
from core.api.schema import UNCONDITIONAL, ProblemOut
from core.api.throttling import DEFAULT_SCOPE, address_of
from core.api.viewsets import ListMixin


def problem(meaning: str) -> OpenApiResponse:
    """A refusal with a meaning of its own, for the document."""
    return OpenApiResponse(ProblemOut, description=meaning)


class LoginView(SignInStep):
    """The password, first."""

    policy = {"post": PUBLIC}
    step = PasswordStep
    anew = True

    @extend_schema(
        summary="Sign in with a password: begin a session",
        request=LoginIn,
        responses={
            200: SignInStateOut,
            (401, MEDIA_TYPE): problem(
                "`second_factor_needed`: the password is right and a code is asked for; "
                "`meta.session_token` is the session to send it with"
            ),
        },
    )
    def post(self, request: Request) -> Response:
        """Everyone may.

        `meta.session_token` of the answer is sent as `X-Session-Token` from then on. It ends by
        itself; how soon is the operator's setting. 400 for a wrong name or password, the same for a
        name there is not; 429 `sign_in_locked` after too many.
        """
        given = self.parse(LoginIn)
        attempt = begin(self, given["username"])
        answer = self.pass_on(request, given)
        settle(attempt, answer)
        return answer


class SessionView(SignInStep):
    """The session that is asked with, complete or pending."""

    # Whoever signs out, or asks how far they are, guesses at nothing.
    throttle_scope = DEFAULT_SCOPE
    policy = {"get": PUBLIC, "delete": PUBLIC}
    step = account.SessionView

    @extend_schema(summary="How far the session has come", responses=SignInStateOut)
    def get(self, request: Request) -> Response:
        """Everyone may. 401 unless it is complete, with `data.flows`: what is asked next."""
        return self.pass_on(request)

    @extend_schema(
        summary="Sign out: end the session", parameters=[UNCONDITIONAL], responses={204: None}
    )
    def delete(self, request: Request) -> Response:
        """Everyone may end the session whose token they send."""
        answer = self.pass_on(request)
        ended = SESSION_HEADER in request.headers and answer.data["code"] == NOT_SIGNED_IN[0]
        return Response(status=204) if ended else answer


class CodeView(SignInStep):
    """The code, second."""

    policy = {"post": PUBLIC}
    step = AuthenticateStep

    @extend_schema(
        summary="Complete a sign-in with a code", request=CodeIn, responses=SignInStateOut
    )
    def post(self, request: Request) -> Response:
        """Everyone may who has given the password.

        The code of an authenticator, or one for recovery; each is taken once. The answer has a new
        session token.
        """
        answer = self.pass_on(request, self.parse(CodeIn))
        if answer.status_code == HTTPStatus.OK:
            sign_in_attempts.attempts_forget(
                attempt=Attempt.at(answer.data["data"]["user"]["username"], address_of(request))
            )
        return answer


class OwnStep(SignInStep):
    """A step of somebody who is signed in with a session."""

    authentication_classes = OWN_SESSION
    permission_classes = (SignedIn,)


class ProofView(OwnStep):
    """The password, anew."""

    policy = {"post": "own.session"}
    step = account.ReauthenticateView

    @extend_schema(
        summary="Prove anew with the password", request=ProofIn, responses=SignInStateOut
    )
    def post(self, request: Request) -> Response:
        """Everyone who is signed in with a session may. Counts for five minutes."""
        given = self.parse(ProofIn)
        attempt = begin(self, request.user.get_username())
        answer = self.pass_on(request, given)
        settle(attempt, answer)
        return answer


class CodeProofView(OwnStep):
    """A code, anew."""

    policy = {"post": "own.session"}
    step = ReauthenticateStep

    @extend_schema(summary="Prove anew with a code", request=CodeIn, responses=SignInStateOut)
    def post(self, request: Request) -> Response:
        """Everyone who is signed in with a session may.

        Counts for five minutes; a session begun before the second factor was set up counts as begun
        with it from then on.
        """
        return self.pass_on(request, self.parse(CodeIn))


class AuthenticatorsView(OwnStep):
    """What is set up."""

    throttle_scope = DEFAULT_SCOPE
    policy = {"get": "own.session"}
    step = second_factor.AuthenticatorsView

    @extend_schema(summary="My second factors", responses=AuthenticatorsOut)
    def get(self, request: Request) -> Response:
        """Everyone who is signed in with a session may."""
        return self.pass_on(request)


class TotpView(OwnStep):
    """The authenticator (RFC 6238)."""

    throttle_scope = DEFAULT_SCOPE
    policy = {"get": "own.session", "post": "own.session", "delete": "own.session"}
    step = TotpStep

    @extend_schema(
        summary="My authenticator, or a secret to set one up with",
        responses={
            200: TotpOut,
            (404, MEDIA_TYPE): problem(
                "`not_set_up`: `meta.secret` and `meta.totp_url` are what the authenticator takes"
            ),
        },
    )
    def get(self, request: Request) -> Response:
        """Everyone who is signed in with a session may."""
        return self.pass_on(request)

    @extend_schema(summary="Set my authenticator up", request=CodeIn, responses=TotpOut)
    def post(self, request: Request) -> Response:
        """Everyone who is signed in with a session may, having proved anew (401 `proof_needed`).

        From then on a code is asked for at each sign-in.
        """
        return self.pass_on(request, self.parse(CodeIn))

    @extend_schema(
        summary="Take my authenticator away", parameters=[UNCONDITIONAL], responses={204: None}
    )
    def delete(self, request: Request) -> Response:
        """Everyone who is signed in with a session may, having proved anew.

        All sessions and tokens of the person end.
        """
        answer = self.pass_on(request)
        return Response(status=204) if answer.status_code == HTTPStatus.OK else answer


class RecoveryCodesView(OwnStep):
    """Codes for who has lost the authenticator."""

    throttle_scope = DEFAULT_SCOPE
    policy = {"get": "own.session", "post": "own.session"}
    step = second_factor.ManageRecoveryCodesView

    @extend_schema(
        summary="My codes for recovery",
        responses={
            200: RecoveryCodesOut,
            (404, MEDIA_TYPE): problem("`not_set_up`: they come with the authenticator"),
        },
    )
    def get(self, request: Request) -> Response:
        """Everyone who is signed in with a session may, having proved anew.

        The codes are shown the first time only.
        """
        return self.pass_on(request)

    @extend_schema(summary="Make new codes for recovery", request=None, responses=RecoveryCodesOut)
    def post(self, request: Request) -> Response:
        """Everyone who is signed in with a session may, having proved anew. The old ones end."""
        return self.pass_on(request)


@extend_schema_view(
    list=extend_schema(
        summary="My open sessions", description="Everyone who is signed in may, but no machine."
    ),
    destroy=extend_schema(
        summary="End one of my sessions",
        description="Everyone who is signed in may, but no machine.",
        parameters=[UNCONDITIONAL],
        responses={204: None},
    ),
)
class OwnSessionViewSet(DestroyModelMixin, ListMixin):
    """The sessions of whoever is signed in."""

    queryset = SignInSession.objects.all()
    serializer_class = OwnSessionOut
    permission_classes = (PersonSignedIn,)
    policy = {"list": "own.use", "destroy": "own.use"}

    def get_queryset(self) -> Any:
        """Those of the caller that are not over."""
        rows = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return rows
        return alive(self.now(), among=rows.filter(user_id=self.actor.user_id))

    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        signed_in.own_session_end(pk=int(kwargs["pk"]), actor=self.actor)
        return Response(status=204)


def begin(view: SignInStep, name: str) -> Attempt:
    """Count an attempt with a password. Raises SignInLocked."""
    return sign_in_attempts.attempt_begin(
        name=name, address=address_of(view.request), now=view.now()
    )


def settle(attempt: Attempt, answer: Response) -> None:
    """A wrong password stays counted, a whole sign-in clears, anything between takes it back."""
    if answer.status_code == HTTPStatus.OK:
        sign_in_attempts.attempts_forget(attempt=attempt)
    elif answer.status_code != HTTPStatus.BAD_REQUEST:
        sign_in_attempts.attempt_withdraw(attempt=attempt)
