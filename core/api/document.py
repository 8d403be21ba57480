"""What is said of the OpenAPI document as a whole, once all operations stand in it.

Bodies are closed (an unknown field is refused), problems that operations have alike are told once,
and every operation has an example.
"""

from collections.abc import Iterator
from http import HTTPStatus
from typing import Any, Final

from core.api.answer_headers import HEADERS
from core.api.examples import Examples
from core.api.idempotency import HEADER as KEY
from core.api.idempotency import MAX_LENGTH
from core.api.problem import MEDIA_TYPE

Document = dict[str, Any]
Operation = dict[str, Any]

KEY_SCHEMA: Final = {
    "type": "string",
    "minLength": 1,
    "maxLength": MAX_LENGTH,
    "pattern": r'^([!#-~]([ -~]*[!-~])?|"([ !#-\[\]-~]|\\["\\])+")$',
}
METHODS: Final = ("get", "put", "post", "delete", "patch")


def complete(result: Document, **_: Any) -> Document:
    """Hook of drf-spectacular: the document, complete."""
    components = result["components"]
    schemas: dict[str, Any] = components["schemas"]
    components["headers"] = HEADERS
    for schema in schemas.values():
        _let_anything_be_null(schema)
    examples = Examples(schemas)
    for operation in operations(result):
        _close_body(operation, schemas)
        _say_what_a_key_is(operation)
    _share_problems(result)
    for operation in operations(result):
        examples.give(operation)
    components["examples"] = examples.shared
    return result


def operations(document: Document) -> Iterator[Operation]:
    """All operations of the document."""
    for path in document["paths"].values():
        for method in METHODS:
            if method in path:
                yield path[method]


def _let_anything_be_null(schema: dict[str, Any]) -> None:
    """Null is one of "anything", so that as "exactly one of anything and null" it fits neither."""
    for told in schema.get("properties", {}).values():
        if {} in told.get("oneOf", ()):
            del told["oneOf"]


def _close_body(operation: Operation, schemas: dict[str, Any]) -> None:
    bodies = operation.get("requestBody", {}).get("content", {})
    for media_type, body in bodies.items():
        if media_type == "application/json":
            _close(body["schema"], schemas)


def _close(schema: Any, schemas: dict[str, Any]) -> None:
    """Let every object with named members, and those inside, have no others."""
    if isinstance(schema, list):
        for one in schema:
            _close(one, schemas)
    if not isinstance(schema, dict):
        return
    name = schema.get("$ref", "").rpartition("/")[2]
    if name:
        _close(schemas[name], schemas)
    if "properties" in schema:
        if schema.get("additionalProperties") is False:
            return
        schema.setdefault("additionalProperties", False)
        _close(list(schema["properties"].values()), schemas)
    for word in ("items", "allOf", "anyOf", "oneOf", "additionalProperties"):
        _close(schema.get(word), schemas)


def _say_what_a_key_is(operation: Operation) -> None:
    for parameter in operation.get("parameters", []):
        if parameter["name"] == KEY:
            parameter["schema"] = KEY_SCHEMA


def _share_problems(document: Document) -> None:
    """Let problems that hundreds of operations have alike stand in the document once."""
    found: dict[str, list[Any]] = {}
    for operation in operations(document):
        for status, told in operation["responses"].items():
            if MEDIA_TYPE in told.get("content", {}):
                found.setdefault(status, []).append(told)
    shared = {status: max(told, key=told.count) for status, told in found.items()}
    names = {status: HTTPStatus(int(status)).name.title().replace("_", "") for status in shared}
    for operation in operations(document):
        answers = operation["responses"]
        for status in shared.keys() & answers.keys():
            if answers[status] == shared[status]:
                answers[status] = {"$ref": f"#/components/responses/{names[status]}"}
    document["components"]["responses"] = {names[one]: shared[one] for one in sorted(shared)}
