"""Staff, credentials, shifts and roles."""

from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.api.base import DESPITE_VISITS, AddMixin, ChangeMixin, RemoveMixin, StrandingViewSet
from clinics.api.filters import (
    CredentialFilters,
    MembershipFilters,
    ShiftFilters,
    StaffFilters,
)
from clinics.api.serializers.people import (
    CredentialSerializer,
    MembershipSerializer,
    ShiftSerializer,
    SignInIn,
    StaffMemberSerializer,
)
from clinics.models import Credential, Membership, Shift, StaffMember
from clinics.services import people, shifts
from core.api.preconditions import expected_version
from core.api.viewsets import ReferenceViewSet


@extend_schema_view(
    list=extend_schema(summary="List the staff"),
    retrieve=extend_schema(summary="One member of staff"),
    create=extend_schema(summary="Add a member of staff", description="A chain manager may."),
    partial_update=extend_schema(
        summary="Change a member of staff",
        description="A chain manager may. One who leaves is no longer `active` and can no longer "
        "sign in; 409 while visits are booked with them.",
    ),
)
class StaffMemberViewSet(AddMixin, ChangeMixin):
    """The people who work for the chain."""

    queryset = StaffMember.objects.select_related("user")
    serializer_class = StaffMemberSerializer
    filterset_class = StaffFilters
    policy = {
        "list": "staff.read",
        "retrieve": "staff.read",
        "create": "staff.write",
        "partial_update": "staff.write",
        "set_sign_in": "sign_in.write",
        "remove_sign_in": "sign_in.write",
    }

    def add(self, fields: dict[str, Any]) -> StaffMember:
        return people.staff_member_create(fields=fields, actor=self.actor)

    def change(self, row: Any, changes: dict[str, Any], *, expected: int | None) -> StaffMember:
        return people.staff_member_change(
            pk=row.pk,
            changes=changes,
            expected_version=expected,
            actor=self.actor,
            now=self.now(),
        )

    @extend_schema(
        summary="Give a member of staff a sign-in, or a new password",
        request=SignInIn,
        responses=StaffMemberSerializer,
    )
    @action(detail=True, methods=["put"], url_path="sign-in")
    def set_sign_in(self, request: Request, **kwargs: Any) -> Response:
        """A chain manager of the whole chain may. All tokens of the person end."""
        row = self.get_object()
        given = self.parse(SignInIn)
        staff = people.sign_in_set(
            pk=row.pk,
            user_name=given["user_name"],
            password=given["password"],
            expected_version=expected_version(request, row),
            actor=self.actor,
        )
        return self.present(staff)

    @extend_schema(summary="Take the sign-in of a member of staff away", responses={204: None})
    @set_sign_in.mapping.delete
    def remove_sign_in(self, request: Request, **kwargs: Any) -> Response:
        """A chain manager of the whole chain may. All tokens of the person end."""
        row = self.get_object()
        people.sign_in_remove(
            pk=row.pk,
            expected_version=expected_version(request, row),
            actor=self.actor,
            now=self.now(),
        )
        return Response(status=204)


@extend_schema_view(
    list=extend_schema(summary="List credentials"),
    retrieve=extend_schema(summary="One credential"),
    create=extend_schema(
        summary="Add a credential", description="A chain manager or laser safety officer may."
    ),
    partial_update=extend_schema(
        summary="Change a credential", description="A chain manager or laser safety officer may."
    ),
    destroy=extend_schema(
        summary="Remove a credential", description="A chain manager or laser safety officer may."
    ),
)
class CredentialViewSet(ReferenceViewSet):
    """What members of staff are trained and allowed to do."""

    queryset = Credential.objects.all()
    serializer_class = CredentialSerializer
    filterset_class = CredentialFilters
    policy = {
        "list": "staff.read",
        "retrieve": "staff.read",
        "create": "credential.write",
        "partial_update": "credential.write",
        "destroy": "credential.write",
    }


@extend_schema_view(
    list=extend_schema(summary="List shifts"),
    retrieve=extend_schema(summary="One shift"),
    create=extend_schema(
        summary="Add a shift", description="A chain manager or front desk there may."
    ),
    partial_update=extend_schema(
        summary="Change a shift",
        description="A chain manager or front desk there may. 409 with the visits that would be "
        "left without their operator.",
    ),
    destroy=extend_schema(
        summary="Remove a shift",
        description="A chain manager or front desk there may. 409 with the visits that would be "
        "left without their operator.",
        parameters=[DESPITE_VISITS],
    ),
)
class ShiftViewSet(StrandingViewSet):
    """Who works where, and when."""

    queryset = Shift.objects.all()
    serializer_class = ShiftSerializer
    filterset_class = ShiftFilters
    policy = {
        "list": "staff.read",
        "retrieve": "staff.read",
        "create": "shift.write",
        "partial_update": "shift.write",
        "destroy": "shift.write",
    }

    def add(self, fields: dict[str, Any]) -> Shift:
        fields.pop("despite_visits")
        return shifts.shift_create(fields=fields, actor=self.actor)

    def change(self, row: Any, changes: dict[str, Any], *, expected: int | None) -> Shift:
        return shifts.shift_change(
            pk=row.pk,
            despite_visits=changes.pop("despite_visits", False),
            changes=changes,
            expected_version=expected,
            actor=self.actor,
            now=self.now(),
        )

    def remove(self, row: Any, *, expected: int | None) -> None:
        shifts.shift_remove(
            pk=row.pk,
            expected_version=expected,
            despite_visits=self.despite_visits(),
            actor=self.actor,
            now=self.now(),
        )


@extend_schema_view(
    list=extend_schema(summary="List roles held by members of staff"),
    retrieve=extend_schema(summary="One role of a member of staff"),
    create=extend_schema(
        summary="Give a member of staff a role",
        description="A chain manager there may; for a role in the whole chain, one of the whole "
        "chain.",
    ),
    partial_update=extend_schema(
        summary="Change from when to when a role is held",
        description="A chain manager there may; for a role in the whole chain, one of the whole "
        "chain. An `end` that has passed takes the role away on the next request.",
    ),
    destroy=extend_schema(
        summary="Remove a role as if it had never been given",
        description="As for a change. The last who may manage the whole chain cannot be removed.",
    ),
)
class MembershipViewSet(AddMixin, ChangeMixin, RemoveMixin):
    """Roles: who may do what, at one clinic or in the whole chain."""

    queryset = Membership.objects.all()
    serializer_class = MembershipSerializer
    filterset_class = MembershipFilters
    policy = {
        "list": "membership.read",
        "retrieve": "membership.read",
        "create": "membership.write",
        "partial_update": "membership.write",
        "destroy": "membership.write",
    }

    def add(self, fields: dict[str, Any]) -> Membership:
        return people.membership_create(fields=fields, actor=self.actor)

    def change(self, row: Any, changes: dict[str, Any], *, expected: int | None) -> Membership:
        return people.membership_change(
            pk=row.pk,
            changes=changes,
            expected_version=expected,
            actor=self.actor,
            now=self.now(),
        )

    def remove(self, row: Any, *, expected: int | None) -> None:
        people.membership_remove(
            pk=row.pk, expected_version=expected, actor=self.actor, now=self.now()
        )
