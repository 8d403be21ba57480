"""Every operation of the API, from its addresses: a new one is here without a line."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from drf_spectacular.generators import SchemaGenerator
from rest_framework import serializers
from rest_framework.relations import ManyRelatedField, RelatedField

from core.api.permissions import PUBLIC
from courses.models import Replan

METHODS = ("get", "post", "put", "patch", "delete")
WITH_BODY = frozenset({"POST", "PUT", "PATCH"})
OF_PATH = {"replan": Replan}
"""Parameters of addresses that are named after what they point at."""


@dataclass(frozen=True)
class Operation:
    """A method at an address, its view, and what the document says of it."""

    method: str
    path: str
    view: Any = field(compare=False, repr=False)
    told: dict[str, Any] = field(compare=False, repr=False)
    body: Any = field(default=None, compare=False, repr=False)

    @property
    def name(self) -> str:
        return f"{self.method} {self.path}"

    @property
    def action(self) -> str:
        return getattr(self.view, "action", None) or self.method.lower()

    @property
    def key(self) -> str:
        """Its key of the policy table, or PUBLIC."""
        return self.view.policy[self.action]

    @property
    def is_open(self) -> bool:
        return self.key == PUBLIC

    def path_models(self) -> dict[str, Any]:
        """Parameter of the address -> model; None for one that is no key of a row."""
        names = [part.split("}")[0] for part in self.path.split("{")[1:]]
        return {name: OF_PATH.get(name) or self._shown(name) for name in names}

    def _shown(self, name: str) -> Any:
        """What the address above names shows: `/patients/{id}/history` is of a patient."""
        if name != "id":
            return None
        above = self.path.split("{id}")[0] + "{id}"
        at = {one.path: one for one in operations() if one.method == "GET"}
        return at.get(above, self).view.shown_model()

    def answer(self, status: int) -> dict[str, Any] | None:
        """What the document says of answers of that status."""
        told = self.told["responses"].get(str(status))
        return None if told is None else resolved(told)

    def query(self) -> dict[str, dict[str, Any]]:
        """Its query parameters as the document tells them."""
        return {one["name"]: one for one in self.told.get("parameters", ()) if one["in"] == "query"}


def related(serializer: Any, above: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], Any]]:
    """Where in a body stand keys of rows: (path of names, 0 for an entry of a list; model)."""
    if isinstance(serializer, serializers.ListSerializer):
        yield from related(serializer.child, (*above, 0))
        return
    for name, one in getattr(serializer, "fields", {}).items():
        if not one.read_only:
            yield from _related(one, (*above, name))


def _related(one: Any, at: tuple[Any, ...]) -> Iterator[tuple[tuple[Any, ...], Any]]:
    if isinstance(one, ManyRelatedField):
        yield (*at, 0), one.child_relation.queryset.model
    elif isinstance(one, RelatedField):
        yield at, one.queryset.model
    elif hasattr(one, "queryset"):
        yield (*at, 0), one.queryset.model
    elif isinstance(one, serializers.ListField):
        yield from _related(one.child, (*at, 0))
    elif isinstance(one, serializers.BaseSerializer):
        yield from related(one, at)
    elif type(one).__name__ == "KeyField":
        yield at, next(name for name in reversed(at) if name != 0)


@cache
def document() -> dict[str, Any]:
    """The OpenAPI document, made anew."""
    return SchemaGenerator().get_schema(request=None, public=True)


def resolved(told: dict[str, Any]) -> dict[str, Any]:
    """A part of the document, or what it refers to."""
    while "$ref" in told:
        *_, part, name = told["$ref"].split("/")
        told = document()["components"][part][name]
    return told


@cache
def operations() -> tuple[Operation, ...]:
    """Every operation that the addresses lead to."""
    generator = SchemaGenerator()
    generator._initialise_endpoints()
    paths = document()["paths"]
    found = []
    for path, _, method, view in generator._get_paths_and_endpoints():
        told = paths.get(path, {}).get(method.lower())
        if told is not None:
            found.append(Operation(method, path, view, told, _body(view, method, path)))
    return tuple(sorted(found, key=lambda one: (one.path, one.method)))


def _body(view: Any, method: str, path: str) -> Any:
    """The serializer of the body, or None."""
    if method not in WITH_BODY:
        return None
    schema = view.schema
    schema.view, schema.method, schema.path = view, method, path
    found = schema.get_request_serializer()
    found = found() if isinstance(found, type) else found
    return found if isinstance(found, serializers.BaseSerializer) else None


def documented() -> set[str]:
    """The names of all operations of the document."""
    return {
        f"{method.upper()} {path}"
        for path, item in document()["paths"].items()
        for method in item
        if method in METHODS
    }
