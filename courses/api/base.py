"""What the viewsets of the courses share: partial bodies, steps with a reason, ranges of dates."""

from collections.abc import Collection
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request

from core.api.body import refuse_unknown_fields
from core.api.filters import invalid_parameters
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


def parsed_query(
    serializer_class: type[serializers.Serializer[Any]],
    request: Request,
    *,
    only: Collection[str] | None = None,
) -> dict[str, Any]:
    """Validated query parameters; `only` names those to look at. Raises ParameterInvalid."""
    fields = serializer_class().fields
    query = serializer_class(
        data={
            name: values if isinstance(fields.get(name), serializers.ListField) else values[-1]
            for name, values in request.query_params.lists()
            if only is None or name in only
        }
    )
    if not query.is_valid():
        raise invalid_parameters(
            {
                name: [{"message": str(one), "code": one.code} for one in _flat(messages)]
                for name, messages in query.errors.items()
            }
        )
    return dict(query.validated_data)


def _flat(messages: Any) -> list[Any]:
    """Messages of a field, or of the entries of a list."""
    groups = messages.values() if isinstance(messages, dict) else [messages]
    return [message for group in groups for message in group]
