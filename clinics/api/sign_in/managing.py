"""What a manager does about the sign-ins of others: second factors that are lost, and locks."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.api.serializers.people import StaffMemberSerializer
from clinics.api.serializers.sign_in import SignInLockOut
from clinics.models import StaffMember
from clinics.services import second_factor, sign_in_attempts
from core.api.preconditions import expected_version
from core.api.schema import UNCONDITIONAL
from core.api.viewsets import FallowViewSet


class StaffSignInViewSet(FallowViewSet):
    """The sign-in of a member of staff."""

    queryset = StaffMember.objects.select_related("user")
    serializer_class = StaffMemberSerializer
    policy = {
        "reset_second_factor": "sign_in.write",
        "show_lock": "sign_in.write",
        "lift_lock": "sign_in.write",
    }

    @extend_schema(
        summary="Take the second factor of a member of staff away", responses={204: None}
    )
    def reset_second_factor(self, request: Request, **kwargs: Any) -> Response:
        """A chain manager of the whole chain may, for who has lost it and has no code for recovery.

        All sessions and tokens of the person end; the password alone lets them in again, and roles
        that ask for a second factor wait until one is set up.
        """
        row = self.get_object()
        second_factor.second_factor_reset(
            pk=row.pk, expected_version=expected_version(request, row), actor=self.actor
        )
        return Response(status=204)

    @extend_schema(
        summary="Whether somebody is locked out after failed attempts to sign in",
        responses=SignInLockOut,
    )
    def show_lock(self, request: Request, **kwargs: Any) -> Response:
        """A chain manager of the whole chain may."""
        user = self.get_object().user
        until = user and sign_in_attempts.locked_until(name=user.get_username(), now=self.now())
        return self.show(SignInLockOut, {"locked_until": until})

    @extend_schema(
        summary="Let somebody try again who is locked out",
        parameters=[UNCONDITIONAL],
        responses={204: None},
    )
    def lift_lock(self, request: Request, **kwargs: Any) -> Response:
        """A chain manager of the whole chain may."""
        user = self.get_object().user
        if user is not None:
            sign_in_attempts.attempts_forget_of(name=user.get_username())
        return Response(status=204)
