"""Query parameters: those that are declared count, once each; any other is refused."""

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django_filters.rest_framework import CharFilter, DjangoFilterBackend, Filter
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.views import APIView

from core.api.fields import AwareDateTimeField
from core.errors import Malformed

YES_NO: Final = {"true": True, "false": False}


class ParameterUnknown(Malformed):
    """The endpoint has no such query parameter."""

    code = "parameter_unknown"
    title = "Unknown query parameter"


class ParameterInvalid(Malformed):
    """A query parameter has a value that cannot be understood."""

    code = "parameter_invalid"
    title = "A query parameter is wrong"


class StrictFilterBackend(DjangoFilterBackend):
    """django-filter, but neither an unknown parameter nor a wrong value passes.

    Raises ParameterUnknown and ParameterInvalid; `errors` name each parameter.
    """

    def filter_queryset(
        self, request: Any, queryset: QuerySet[Any], view: APIView
    ) -> QuerySet[Any]:
        filterset = self.get_filterset(request, queryset, view)
        if filterset is None:
            return queryset
        _refuse_empty(filterset, request)
        if not filterset.is_valid():
            raise invalid_parameters(filterset.form.errors.get_json_data())
        rows: QuerySet[Any] = filterset.qs
        return rows


def _refuse_empty(filterset: Any, request: Any) -> None:
    """Raise ParameterInvalid for a name without a value: nobody means the whole list by it."""
    texts = {name for name, one in filterset.filters.items() if isinstance(one, CharFilter)}
    empty = [
        name
        for name in filterset.form.fields.keys() - texts
        if any(not value.strip() for value in request.query_params.getlist(name))
    ]
    if empty:
        detail = "It has no value; leave it out to see all."
        raise ParameterInvalid(
            errors=[_error(name, code="blank", detail=detail) for name in sorted(empty)]
        )


def parsed_query(
    serializer_class: type[serializers.Serializer[Any]],
    request: Request,
    *,
    only: Collection[str] | None = None,
) -> dict[str, Any]:
    """Validated query parameters; `only` names those to look at. Raises ParameterInvalid.

    They are looked at as a body is: in a form, what is empty would pass as left out.
    """
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


def refuse_unknown_parameters(request: Request, allowed: Iterable[str]) -> None:
    """Raise ParameterUnknown when the query names anything outside of `allowed`."""
    known = sorted(set(allowed))
    unknown = sorted(set(request.query_params) - set(known))
    if unknown:
        said = f"It takes: {', '.join(known)}." if known else "It takes none."
        raise ParameterUnknown(
            f"Unknown: {', '.join(unknown)}. {said}",
            errors=[_error(name, code="unknown", detail="Unknown parameter") for name in unknown],
        )


def refuse_repeated_parameters(request: Request, *, repeatable: Collection[str]) -> None:
    """Raise ParameterInvalid where one that has a single value is given more than once."""
    repeated = sorted(
        name
        for name, values in request.query_params.lists()
        if len(values) > 1 and name not in repeatable
    )
    if repeated:
        detail = "It has one value; give it once."
        raise ParameterInvalid(
            f"Given more than once: {', '.join(repeated)}.",
            errors=[_error(name, code="repeated", detail=detail) for name in repeated],
        )


def invalid_parameters(errors: Mapping[str, Iterable[Mapping[str, Any]]]) -> ParameterInvalid:
    """The refusal for messages of a form or a serializer, by parameter."""
    return ParameterInvalid(
        errors=[
            _error(name, code=message["code"] or "invalid", detail=message["message"])
            for name, messages in errors.items()
            for message in messages
        ]
    )


def invalid_parameter(name: str, *, detail: str) -> ParameterInvalid:
    """The refusal of one parameter's value."""
    return ParameterInvalid(detail, errors=[_error(name, code="invalid", detail=detail)])


def filter_names(view: Any) -> set[str]:
    """The query parameters of the view's filter set; a range counts with each of its ends."""
    filterset = getattr(view, "filterset_class", None)
    if filterset is None:
        return set(getattr(view, "filterset_fields", ()) or ())
    names: set[str] = set()
    for name, declared in filterset.base_filters.items():
        suffixes = getattr(declared.field.widget, "suffixes", None)
        names |= {f"{name}_{suffix}" for suffix in suffixes} if suffixes else {name}
    return names


def listed_filter_names(view: Any) -> set[str]:
    """Those of the view's filters that take several values, each in a parameter of its own."""
    filterset = getattr(view, "filterset_class", None)
    declared = filterset.base_filters if filterset is not None else {}
    return {
        name
        for name, one in declared.items()
        if getattr(one.field.widget, "allow_multiple_selected", False)
    }


class YesNoFormField(forms.CharField):
    """`true` or `false`; anything else is a slip, not an unfiltered list."""

    def to_python(self, value: Any) -> Any:
        said = (super().to_python(value) or "").lower()
        if said and said not in YES_NO:
            raise ValidationError("Say true or false.", code="invalid")
        return YES_NO.get(said)


@extend_schema_field(OpenApiTypes.BOOL)
class YesNoFilter(Filter):
    """Narrows to rows for which something holds, or does not."""

    field_class = YesNoFormField


@extend_schema_field(OpenApiTypes.INT)
class WholeNumberFilter(Filter):
    """A key, or another whole number; a fraction is a slip."""

    field_class = forms.IntegerField


class InstantFormField(forms.CharField):
    """RFC 3339 with an offset, as in bodies."""

    def clean(self, value: Any) -> datetime | None:
        text = super().clean(value)
        if not text:
            return None
        try:
            instant: datetime = AwareDateTimeField().run_validation(text)
        except serializers.ValidationError as fault:
            messages = [str(message) for message in fault.detail]
            if " " in text:
                messages.append("In an address, the + of an offset is written %2B.")
            raise ValidationError(messages) from fault
        return instant


@extend_schema_field(OpenApiTypes.DATETIME)
class InstantFilter(Filter):
    """An instant: RFC 3339 with an offset."""

    field_class = InstantFormField


def _error(name: str, *, code: str, detail: str) -> dict[str, str]:
    return {"parameter": name, "code": code, "detail": detail}
