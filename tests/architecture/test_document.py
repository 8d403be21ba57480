"""The OpenAPI document is whole: examples that fit, closed bodies, every limit of the fields."""

import json
import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from django.urls import get_resolver
from jsonschema import Draft202012Validator, FormatChecker
from rest_framework import serializers

from core.api.docs import document
from tests.architecture.test_endpoints import endpoints

DOCUMENT = json.loads(document())
SCHEMAS = DOCUMENT["components"]["schemas"]
METHODS = ("get", "put", "post", "delete", "patch")
LIMITS = {
    "max_length": "maxLength",
    "min_length": "minLength",
    "max_value": "maximum",
    "min_value": "minimum",
}
LISTS = (serializers.ListField, serializers.ListSerializer)
OF_LISTS = {"max_length": "maxItems", "min_length": "minItems"}


def operations() -> Iterator[tuple[str, dict[str, Any]]]:
    for path, told in DOCUMENT["paths"].items():
        yield from ((f"{method} {path}", told[method]) for method in METHODS if method in told)


def contents(operation: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """What the operation takes and what its good answers hold, as far as it is JSON."""
    places = [operation.get("requestBody", {})]
    places += [told for code, told in operation["responses"].items() if code.startswith("2")]
    for place in places:
        for kind, content in place.get("content", {}).items():
            if "json" in kind:
                yield content


def resolved(told: dict[str, Any]) -> Any:
    while "$ref" in told:
        *_, part, name = told["$ref"].split("/")
        told = DOCUMENT["components"][part][name]
    return told


def test_every_operation_has_an_example_of_what_it_takes_and_gives():
    missing = [
        name
        for name, operation in operations()
        for content in contents(operation)
        if not content.get("examples")
    ]
    assert missing == []


def test_examples_are_what_their_schemas_allow():
    wrong = {}
    for name, operation in operations():
        for content in contents(operation):
            schema = {**content["schema"], "components": DOCUMENT["components"]}
            checker = Draft202012Validator(schema, format_checker=FormatChecker())
            for example in content["examples"].values():
                for error in checker.iter_errors(resolved(example)["value"]):
                    wrong[name] = f"{list(error.absolute_path)}: {error.message}"
    assert wrong == {}


def test_what_is_shown_only_to_some_may_be_null():
    guarded = {
        f"{name}.{field}": {**told, "components": DOCUMENT["components"]}
        for name, schema in SCHEMAS.items()
        for field, told in schema.get("properties", {}).items()
        if "x-shown-to" in told
    }
    assert len(guarded) > 10
    assert [
        name for name, told in guarded.items() if not Draft202012Validator(told).is_valid(None)
    ] == []


def test_nothing_is_asked_to_be_exactly_one_of_anything():
    """An empty schema fits whatever another one fits, so that both together fit nothing."""
    torn = [
        f"{name}.{field}"
        for name, schema in SCHEMAS.items()
        for field, told in schema.get("properties", {}).items()
        if {} in told.get("oneOf", ())
    ]
    assert torn == []


def test_bodies_have_no_other_members_than_the_document_names():
    open_ones = [
        name
        for name, operation in operations()
        for kind, content in operation.get("requestBody", {}).get("content", {}).items()
        if kind == "application/json"
        for schema in [resolved(content["schema"])]
        if "properties" in schema and schema.get("additionalProperties") is not False
    ]
    assert open_ones == []


def serializer_classes() -> set[type[serializers.Serializer]]:
    """Those that stand in a view or beside it, by the module of the view."""
    found: set[type[serializers.Serializer]] = set()
    for _, pattern in endpoints(get_resolver("config.urls").url_patterns):
        view = getattr(pattern.callback, "cls", None)
        module = __import__(view.__module__, fromlist=["_"]) if view else None
        for one in vars(module).values() if module else ():
            if isinstance(one, type) and issubclass(one, serializers.Serializer):
                found.add(one)
    return {one for one in found if one.__module__.startswith(("clinics", "devices", "courses"))}


def component_of(serializer: type) -> str:
    name = re.sub("Serializer$", "", serializer.__name__)
    return next((one for one in (f"{name}Request", name) if one in SCHEMAS), "")


@pytest.fixture(scope="module")
def taken() -> list[tuple[str, Any, dict[str, Any]]]:
    """Fields that are taken, with what the document says of them."""
    found = []
    classes = serializer_classes()
    names = Counter(one.__name__ for one in classes)
    # Of two of one name the one that stands in the document is not known by it.
    for one in (one for one in classes if names[one.__name__] == 1):
        component = component_of(one)
        properties = SCHEMAS.get(component, {}).get("properties", {})
        for name, field in one().fields.items():
            if name in properties and not field.read_only and component.endswith("Request"):
                found.append((f"{one.__name__}.{name}", field, plain(properties[name])))
    return found


def plain(schema: dict[str, Any]) -> dict[str, Any]:
    schema = {**resolved(schema), **schema}
    for part in [*schema.get("allOf", ()), *schema.get("oneOf", ()), *schema.get("anyOf", ())]:
        schema = {**plain(part), **schema}
    return schema


def test_no_limit_of_a_field_is_lost(taken):
    assert len(taken) > 300
    lost = {}
    for name, field, schema in taken:
        words = OF_LISTS if isinstance(field, LISTS) else LIMITS
        for attribute, word in words.items():
            limit = getattr(field, attribute, None)
            if isinstance(limit, int | float) and schema.get(word) is None:
                lost[f"{name} {word}"] = limit
    assert lost == {}


def test_no_closed_set_of_codes_and_no_pattern_is_lost(taken):
    lost = []
    for name, field, schema in taken:
        if isinstance(field, serializers.MultipleChoiceField):
            continue
        if isinstance(field, serializers.ChoiceField) and not {"enum", "const"} & set(schema):
            lost.append(name)
        if isinstance(field, serializers.RegexField) and not schema.get("pattern"):
            lost.append(name)
    assert lost == []
