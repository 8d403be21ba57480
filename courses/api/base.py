"""What the viewsets of the courses share: partial bodies, steps with a reason, ranges of dates."""

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request

from core.api.body import refuse_unknown_fields
from core.api.preconditions import expected_version
from core.api.viewsets import ListMixin, RetrieveMixin


class RecordViewSet(ListMixin, RetrieveMixin):
    """Records that are read as rows and written by commands."""

    http_method_names = ["get", "post", "patch", "delete", "head", "options"]

    def changes(self, serializer_class: type[serializers.Serializer[Any]]) -> dict[str, Any]:
        """The validated fields that a PATCH body has. Raises a validation error."""
        serializer = serializer_class(
            data=self.request.data, partial=True, context=self.get_serializer_context()
        )
        refuse_unknown_fields(serializer, self.request.data)
        serializer.is_valid(raise_exception=True)
        return dict(serializer.validated_data)


class NeededReasonIn(serializers.Serializer[Any]):
    """Why a step is taken."""

    reason = serializers.CharField(max_length=400, help_text="Kept with the record")


class FreeReasonIn(serializers.Serializer[Any]):
    """Why a step is taken, if there is something to say."""

    reason = serializers.CharField(max_length=400, allow_blank=True, default="")


def version_if_given(request: Request) -> int | None:
    """The version in If-Match, which a step that is safe to repeat may leave out."""
    return expected_version(request) if request.headers.get("If-Match") else None


def ids_of(rows: Any) -> list[int]:
    """The keys of related rows in validated data."""
    return [row.pk for row in rows]
