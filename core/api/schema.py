"""What every operation of the OpenAPI document says: problems, keys, versions, who may."""

from http import HTTPStatus
from typing import Any, Final

from drf_spectacular.contrib.django_filters import DjangoFilterExtension
from drf_spectacular.extensions import (
    OpenApiAuthenticationExtension,
    OpenApiSerializerExtension,
)
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema_serializer
from rest_framework import serializers

from core.api.answer_headers import names_of
from core.api.permissions import PUBLIC
from core.api.problem import MEDIA_TYPE

SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
CONDITIONAL: Final = frozenset({"PATCH", "PUT", "DELETE"})

IF_MATCH: Final = OpenApiParameter(
    "If-Match",
    str,
    OpenApiParameter.HEADER,
    required=True,
    description="The ETag you read last, or `*` for whatever it is now.",
)
UNCONDITIONAL: Final = OpenApiParameter("If-Match", str, OpenApiParameter.HEADER, exclude=True)
"""Of a DELETE of what has no version."""
IF_MATCH_IF_TOLD: Final = OpenApiParameter(
    "If-Match",
    str,
    OpenApiParameter.HEADER,
    description="The ETag you read last: refused when it holds no more. May be left out, since a "
    "repeat changes nothing.",
)
IF_NONE_MATCH: Final = OpenApiParameter(
    "If-None-Match",
    str,
    OpenApiParameter.HEADER,
    description="The ETag you have; answered by 304 when it still holds.",
)
FILE_NAME: Final = OpenApiParameter(
    "Content-Disposition",
    str,
    OpenApiParameter.HEADER,
    response=[200],
    description="A name to keep the file under (RFC 6266).",
)
BOUNDS: Final = {"minimum": "min_value", "maximum": "max_value", "maxLength": "max_length"}
KEY_SAYS: Final = (
    "1 to 255 printable characters, new for each effect you want. The same key and body give the "
    "first answer again, for seven days."
)


@extend_schema_serializer(component_name="FieldProblem")
class FieldProblemOut(serializers.Serializer[Any]):
    """One thing that is wrong with the request."""

    pointer = serializers.CharField(
        required=False, help_text="JSON Pointer (RFC 6901) into the body"
    )
    parameter = serializers.CharField(required=False, help_text="Name of a query parameter")
    code = serializers.CharField()
    detail = serializers.CharField()


@extend_schema_serializer(component_name="Problem")
class ProblemOut(serializers.Serializer[Any]):
    """A problem document (RFC 9457). Some codes carry members of their own besides these."""

    type = serializers.CharField(help_text="`/problems/` and the code: what it means stands there")
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    instance = serializers.CharField(help_text="Path of the request")
    code = serializers.CharField(help_text="Stable; what a program looks at")
    request_id = serializers.CharField()
    errors = FieldProblemOut(many=True, required=False)  # type: ignore[assignment]


class BearerScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """An opaque token in the Authorization header."""

    target_class = "knox.auth.TokenAuthentication"
    name = "token"
    match_subclasses = True
    priority = 1

    def get_security_definition(self, auto_schema: AutoSchema) -> dict[str, Any]:
        return {"type": "http", "scheme": "bearer"}


class SessionScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """The token of a session of a person."""

    target_class = (
        "allauth.headless.contrib.rest_framework.authentication.XSessionTokenAuthentication"
    )
    name = "session"
    match_subclasses = True
    priority = 1

    def get_security_definition(self, auto_schema: AutoSchema) -> dict[str, Any]:
        return {"type": "apiKey", "in": "header", "name": "X-Session-Token"}


class StrictFilterExtension(DjangoFilterExtension):  # type: ignore[no-untyped-call]
    """The parameters of a list: with the bounds that are held against what is given."""

    target_class = "core.api.filters.StrictFilterBackend"
    priority = 1

    def resolve_filter_field(
        self, auto_schema: Any, model: Any, filterset_class: Any, field_name: Any, filter_field: Any
    ) -> Any:
        told = super().resolve_filter_field(  # type: ignore[no-untyped-call]
            auto_schema, model, filterset_class, field_name, filter_field
        )
        for parameter in told:
            schema = parameter["schema"]
            for word, bound in BOUNDS.items():
                schema.pop(word, None)
                value = getattr(filter_field.field, bound, None)
                if value is not None:
                    schema[word] = value
        return told


class GuardedExtension(OpenApiSerializerExtension):  # type: ignore[no-untyped-call]
    """Guarded fields of answers may be null, and say which action shows them (`x-shown-to`)."""

    target_class = "core.api.serializers.GuardedOut"
    match_subclasses = True

    def map_serializer(self, auto_schema: Any, direction: Any) -> dict[str, Any]:
        # There is no public way to the schema without extensions.
        told: dict[str, Any] = auto_schema._map_serializer(  # noqa: SLF001
            self.target, direction, bypass_extensions=True
        )
        shown = self.target.guarded if direction == "response" else {}
        for name, action in shown.items():
            field = _nullable(told["properties"][name])
            said = f"Null without `{action}`."
            field["description"] = " ".join(filter(None, [field.get("description"), said]))
            told["properties"][name] = {**field, "x-shown-to": action}
        return told


def _nullable(told: dict[str, Any]) -> dict[str, Any]:
    """The schema of a property that may be null too (OpenAPI 3.1)."""
    kind = told.get("type")
    if "enum" in told:
        # Where choices become a component of their own, null is found among them.
        return {**told, "enum": list(dict.fromkeys([*told["enum"], None]))}
    if isinstance(kind, str):
        return {**told, "type": [kind, "null"]}
    if isinstance(kind, list) or "oneOf" in told:
        return dict(told)
    said: dict[str, Any] = {
        name: told[name] for name in ("readOnly", "description") if name in told
    }
    inner = {name: value for name, value in told.items() if name not in said}
    return {**said, "oneOf": [inner, {"type": "null"}]}


class FallowSchema(AutoSchema):
    """Adds to each operation what the bases in core.api do for it.

    Of its actions a view can say besides: `conditional`, those POSTs that need If-Match,
    `conditional_if_told`, those that heed it when it is there, `untagged`, those whose answers
    have no entity tag, `unaddressed`, those that make what has no address, and `refusals`, by
    action, statuses of problems that the others do not have.
    """

    def get_override_parameters(self) -> list[Any]:
        declared: list[Any] = list(super().get_override_parameters())
        if self._may_be_known():
            declared.append(IF_NONE_MATCH)
        if self.method in CONDITIONAL or self._action() in getattr(self.view, "conditional", ()):
            declared.append(IF_MATCH)
        elif self._action() in getattr(self.view, "conditional_if_told", ()):
            declared.append(IF_MATCH_IF_TOLD)
        required = self._key_required()
        if required is not None:
            declared.append(
                OpenApiParameter(
                    "Idempotency-Key",
                    str,
                    OpenApiParameter.HEADER,
                    required=required,
                    description=KEY_SAYS,
                )
            )
        return declared

    def _map_serializer_field(
        self, field: Any, direction: Any, bypass_extensions: bool = False
    ) -> Any:
        """As the library has it, with what it leaves out.

        An empty text where a column of codes may be empty, and the ends of a list of objects.
        """
        schema = super()._map_serializer_field(field, direction, bypass_extensions)  # type: ignore[no-untyped-call]
        if direction == "response" and schema and "enum" in schema and _may_be_empty(field):
            schema["enum"] = [*schema["enum"], ""]
        if isinstance(field, serializers.ListSerializer) and schema:
            for word, bound in (("minItems", "min_length"), ("maxItems", "max_length")):
                if getattr(field, bound, None) is not None:
                    schema[word] = getattr(field, bound)
        if getattr(field, "allow_empty", True) is False and schema:
            schema.setdefault("minItems" if schema.get("type") == "array" else "minProperties", 1)
        return schema

    def get_summary(self) -> str | None:
        """The summary given, else the first sentence of what the method says of itself."""
        given: str | None = super().get_summary()
        if given:
            return given
        said = str(self.get_description() or "").strip().split("\n")[0]
        return said.split(". ")[0].rstrip(".") or None

    def get_auth(self) -> list[dict[str, list[str]]]:
        return [] if self._policy() == PUBLIC else super().get_auth()

    def get_extensions(self) -> dict[str, Any]:
        return {**super().get_extensions(), "x-policy": self._policy()}

    def _get_response_bodies(self, direction: Any = "response") -> dict[str, Any]:
        bodies: dict[str, Any] = super()._get_response_bodies(direction)
        for status in self._problem_statuses():
            code = str(status.value)
            told = self._problem_body(code)
            bodies.setdefault(code, {**told, "description": status.phrase})
        if self._may_be_known():
            bodies["304"] = {"description": HTTPStatus.NOT_MODIFIED.phrase}
        for code, told in bodies.items():
            told["headers"] = {**self._headers(int(code), told), **told.get("headers", {})}
        return bodies

    def _headers(self, status: int, told: dict[str, Any]) -> dict[str, Any]:
        names = names_of(
            self.view,
            told,
            status=status,
            action=self._action(),
            tagged=self._has_tag(status),
            paged=self.method == "GET" and self._is_paged(),
            keyed=self._key_required() is not None,
        )
        return {name: {"$ref": f"#/components/headers/{ref}"} for name, ref in names.items()}

    def _may_be_known(self) -> bool:
        """Whether what is read has an entity tag, by which the caller may have it already."""
        return self.method == "GET" and self._action() not in getattr(self.view, "untagged", ())

    def _has_tag(self, status: int) -> bool:
        """Whether what is answered has an entity tag: all that is read, and a row that changed."""
        if self._action() in getattr(self.view, "untagged", ()):
            return False
        return self.method == "GET" or self._shows_row(status)

    def _is_paged(self) -> bool:
        """Whether a page of a list is answered."""
        return bool(self._is_list_view() and self._get_paginator())  # type: ignore[no-untyped-call]

    def _shows_row(self, status: int) -> bool:
        shown: Any = self.get_response_serializers()
        if isinstance(shown, dict):
            shown = next((one for code, one in shown.items() if code == status), None)
        if isinstance(shown, OpenApiResponse):
            shown = shown.response
        kind = shown if isinstance(shown, type) else type(shown)
        return issubclass(kind, serializers.ModelSerializer) and status != HTTPStatus.NO_CONTENT

    def _problem_body(self, code: str) -> dict[str, Any]:
        return self._get_response_for_code(ProblemOut, code, [MEDIA_TYPE])  # type: ignore[no-any-return,no-untyped-call]

    def _problem_statuses(self) -> list[HTTPStatus]:
        statuses = {
            HTTPStatus.BAD_REQUEST,
            HTTPStatus.NOT_ACCEPTABLE,
            HTTPStatus.TOO_MANY_REQUESTS,
            HTTPStatus.SERVICE_UNAVAILABLE,
        }
        if self._policy() != PUBLIC:
            statuses |= {HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN}
        if "{" in self.path:
            statuses.add(HTTPStatus.NOT_FOUND)
        if self.method not in SAFE:
            statuses |= {
                HTTPStatus.CONFLICT,
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
                HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
                HTTPStatus.UNPROCESSABLE_ENTITY,
            }
        if self.method in CONDITIONAL or self._declares_if_match(required=True):
            statuses |= {HTTPStatus.PRECONDITION_FAILED, HTTPStatus.PRECONDITION_REQUIRED}
        elif self._declares_if_match(required=False):
            statuses.add(HTTPStatus.PRECONDITION_FAILED)
        return sorted(statuses | {HTTPStatus(code) for code in self._refusals()})

    def _refusals(self) -> Any:
        """Further statuses of problems, by action in the `refusals` of the view."""
        return getattr(self.view, "refusals", {}).get(self._action(), ())

    def _action(self) -> str:
        return str(getattr(self.view, "action", None) or self.method.lower())

    def _declares_if_match(self, *, required: bool) -> bool:
        declared = self.get_override_parameters()
        return any(
            getattr(told, "name", "") == IF_MATCH.name and told.required is required
            for told in declared
        )

    def _policy(self) -> str:
        return str(getattr(self.view, "policy", {}).get(self._action(), PUBLIC))

    def _key_required(self) -> bool | None:
        """Whether the operation needs a key; None where it takes none."""
        required: bool | None = getattr(
            getattr(self.view, self._action(), None), "idempotency_required", None
        )
        return required


def _may_be_empty(field: Any) -> bool:
    """Whether a read-only field shows a column of codes that may be left empty."""
    model = getattr(getattr(field.parent, "Meta", None), "model", None)
    if not isinstance(field, serializers.ChoiceField) or model is None or "" in field.choices:
        return False
    columns = {column.name: column for column in model._meta.get_fields()}  # noqa: SLF001
    return bool(getattr(columns.get(field.source), "blank", False))
