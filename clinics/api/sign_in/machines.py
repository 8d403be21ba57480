"""Tokens of machines."""

from typing import Any

from django_filters.rest_framework import FilterSet
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.api.base import ReadViewSet
from clinics.api.filters import IdFilter
from clinics.api.serializers.sign_in import MachineTokenIn, MachineTokenMadeOut, MachineTokenOut
from clinics.models import AccessToken
from clinics.services import machine_tokens
from core.api.schema import UNCONDITIONAL


class MachineTokenFilters(FilterSet):
    """Tokens of machines."""

    staff_member = IdFilter(field_name="user__staff_member")

    class Meta:
        model = AccessToken
        fields = ("staff_member",)


@extend_schema_view(
    list=extend_schema(
        summary="List the tokens of machines",
        description="A chain manager of the whole chain may. Their texts are not shown.",
    ),
    retrieve=extend_schema(summary="One token of a machine, without its text"),
)
class MachineTokenViewSet(ReadViewSet):
    """What machines are let in with: for some actions, until an end."""

    queryset = AccessToken.objects.filter(machine=True).select_related("user__staff_member")
    serializer_class = MachineTokenOut
    filterset_class = MachineTokenFilters
    policy = {
        "list": "machine_token.read",
        "retrieve": "machine_token.read",
        "create": "machine_token.write",
        "destroy": "machine_token.write",
    }

    @extend_schema(
        summary="Make a token for a machine",
        request=MachineTokenIn,
        responses={201: MachineTokenMadeOut},
    )
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A chain manager of the whole chain may.

        The text is shown this once. There is no Idempotency-Key, because the answer would have to
        be kept: a token too many is revoked.
        """
        given = self.parse(MachineTokenIn)
        row, token = machine_tokens.machine_token_create(
            staff_member_id=given["staff_member"].pk,
            name=given["name"],
            scopes=given["scopes"],
            expires_at=given["expires_at"],
            actor=self.actor,
            now=self.now(),
        )
        row.token = token
        return self.present(row, status=201, serializer_class=MachineTokenMadeOut)

    @extend_schema(
        summary="Revoke a token of a machine", parameters=[UNCONDITIONAL], responses={204: None}
    )
    def destroy(self, request: Request, **kwargs: Any) -> Response:
        """A chain manager of the whole chain may. It is refused from the next request on."""
        row = self.get_object()
        machine_tokens.machine_token_revoke(pk=row.pk, actor=self.actor)
        return Response(status=204)
