"""Resources whose writes are services: parse, call, present."""

from collections.abc import Collection, Mapping
from typing import Any, Final

from drf_spectacular.utils import OpenApiParameter
from rest_framework import status
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.body import refuse_unknown_fields
from core.api.filters import invalid_parameter
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.viewsets import ListMixin, RetrieveMixin

DESPITE_VISITS: Final = OpenApiParameter(
    "despite_visits",
    bool,
    description="Do it although it strands booked visits; who asks will mend the diary",
)


class ReadViewSet(ListMixin, RetrieveMixin):
    """A resource that is listed and shown, and that reads fields for a service."""

    def fields(self, row: Any = None) -> dict[str, Any]:
        """Validated fields of the body; all of them for a new row, else those that it has."""
        serializer = self.get_serializer(row, data=self.request.data, partial=row is not None)
        refuse_unknown_fields(serializer, self.request.data)
        serializer.is_valid(raise_exception=True)
        validated: Mapping[str, Any] = serializer.validated_data
        return dict(validated)


class AddMixin(ReadViewSet):
    """New rows come from a service."""

    def add(self, fields: dict[str, Any]) -> Any:
        """Make a row of validated fields."""
        raise NotImplementedError

    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A new row."""
        return self.present(self.add(self.fields()), status=status.HTTP_201_CREATED)


class ChangeMixin(ReadViewSet):
    """Changes go through a service, from the version that the caller expects."""

    def change(self, row: Any, changes: dict[str, Any], *, expected: int | None) -> Any:
        """Change the row from the version the caller expects (None: any)."""
        raise NotImplementedError

    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change the fields that the body has."""
        row = self.get_object()
        expected = expected_version(request, row)
        return self.present(self.change(row, self.fields(row), expected=expected))


class RemoveMixin(ReadViewSet):
    """Removals go through a service, at the version that the caller expects."""

    def remove(self, row: Any, *, expected: int | None) -> None:
        """Remove the row at the version the caller expects (None: any)."""
        raise NotImplementedError

    def destroy(self, request: Request, **kwargs: Any) -> Response:
        """Remove the row."""
        row = self.get_object()
        self.remove(row, expected=expected_version(request, row))
        return Response(status=status.HTTP_204_NO_CONTENT)


class StrandingViewSet(AddMixin, ChangeMixin, RemoveMixin):
    """A resource whose changes can strand booked visits: 409 unless `despite_visits`.

    It stands in the body of a write, and in the query of a removal.
    """

    def query_names(self) -> Collection[str]:
        """A removal has no body, so it takes the word in its query."""
        names = super().query_names()
        return {*names, DESPITE_VISITS.name} if self.action == "destroy" else names

    def despite_visits(self) -> bool:
        """What a removal says. Raises ParameterInvalid."""
        said = self.request.query_params.get(DESPITE_VISITS.name, "false")
        if said not in {"true", "false"}:
            raise invalid_parameter(DESPITE_VISITS.name, detail="One of: true, false.")
        return said == "true"
