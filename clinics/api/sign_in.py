"""Signing in and out, and who is signed in."""

from typing import Any

from django.contrib.auth import authenticate
from drf_spectacular.utils import extend_schema
from knox.models import AuthToken
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from clinics import selectors
from clinics.access import actor_for
from clinics.api.base import UNCONDITIONAL
from clinics.api.serializers.sign_in import MeOut, PasswordIn, TokenIn, TokenOut
from clinics.policy import POLICY
from clinics.services import people
from core.api.permissions import PUBLIC, PolicyPermission
from core.api.views import FallowView


class SignInRefused(AuthenticationFailed):
    """One refusal for every reason, so that nobody learns which user names there are."""

    default_code = "sign_in_refused"
    default_detail = "The user name or the password is wrong, or the person is not on the staff."


class SignedIn(PolicyPermission):
    """Any member of staff, also one who holds no role."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return getattr(request, "actor", None) is not None


class TokenView(FallowView):
    """Tokens are opaque; the service keeps only a hash of each."""

    policy = {"post": PUBLIC}
    authentication_classes = ()
    throttle_scope = "sign_in"

    def get_authenticate_header(self, request: Request) -> str:
        """Says how to come back: 401 without it would turn into 403."""
        return "Bearer"

    @extend_schema(summary="Sign in: get a token", request=TokenIn, responses={201: TokenOut})
    def post(self, request: Request) -> Response:
        """Everyone may. The token expires by itself; how soon is the operator's setting."""
        given = self.parse(TokenIn)
        user = authenticate(request, username=given["user_name"], password=given["password"])
        if user is None or actor_for(user.pk, now=self.now()) is None:
            raise SignInRefused
        row, token = AuthToken.objects.create(user)
        return self.show(TokenOut, {"token": token, "expires_at": row.expiry}, status=201)


class CurrentTokenView(FallowView):
    """The token that the request came with."""

    policy = {"delete": "own.use"}
    permission_classes = (SignedIn,)

    @extend_schema(
        summary="Sign out: end this token", parameters=[UNCONDITIONAL], responses={204: None}
    )
    def delete(self, request: Request) -> Response:
        """Everyone who is signed in may."""
        request.auth.delete()
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
        clinics = selectors.clinics_by_id([grant.clinic_id for grant in actor.grants])
        return {
            "staff": selectors.staff_member_get(actor.staff_id),
            "roles": [
                {"role": grant.role, "clinic": clinics.get(grant.clinic_id)}
                for grant in actor.grants
            ],
            "may": sorted(action for action in POLICY if actor.may(action)),
        }


class OwnPasswordView(FallowView):
    """The password of whoever is signed in."""

    policy = {"post": "own.use"}
    permission_classes = (SignedIn,)
    throttle_scope = "sign_in"

    @extend_schema(summary="Change my password", request=PasswordIn, responses={204: None})
    def post(self, request: Request) -> Response:
        """Everyone who is signed in may. All tokens of the person end, this one too."""
        given = self.parse(PasswordIn)
        people.own_password_change(current=given["current"], new=given["new"], actor=self.actor)
        return Response(status=204)
