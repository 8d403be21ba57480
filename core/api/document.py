"""What is said of the OpenAPI document as a whole, once all operations stand in it.

Bodies are closed (an unknown field is refused), conditional reads may be answered by 304, good
answers name the headers that they carry, and every operation has an example.
"""

from collections.abc import Iterator
from typing import Any, Final

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
WAITS: Final = frozenset({"429", "503"})
HEADERS: Final[dict[str, dict[str, Any]]] = {
    "RequestId": {
        "description": "The id of the request: the caller's, or a new one.",
        "required": True,
        "schema": {"type": "string", "minLength": 1, "maxLength": 128},
    },
    "ETag": {
        "description": "The entity tag: for If-None-Match and, where there is a version, If-Match.",
        "required": True,
        "schema": {"type": "string", "pattern": '^"[^"]+"$'},
    },
    "RetryAfter": {
        "description": "In how many seconds the same may be sent again.",
        "required": True,
        "schema": {"type": "integer", "minimum": 0},
    },
    "RateLimitPolicy": {
        "description": "The quota of the caller: its name, how many requests, in how many seconds.",
        "schema": {"type": "string"},
    },
    "RateLimit": {
        "description": "What is left of the quota, and in how many seconds it begins anew.",
        "schema": {"type": "string"},
    },
}
GOOD_ONES_HAVE: Final = {
    "X-Request-ID": "RequestId",
    "RateLimit-Policy": "RateLimitPolicy",
    "RateLimit": "RateLimit",
}


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
        _tell_of_not_modified(operation)
        _name_headers(operation)
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


def _tell_of_not_modified(operation: Operation) -> None:
    if _takes_if_none_match(operation):
        operation["responses"]["304"] = {"description": "Not Modified"}


def _name_headers(operation: Operation) -> None:
    tagged = _takes_if_none_match(operation)
    for status, response in operation["responses"].items():
        names = {} if status.startswith(("4", "5")) else dict(GOOD_ONES_HAVE)
        if tagged and status in {"200", "304"}:
            names["ETag"] = "ETag"
        if status in WAITS and MEDIA_TYPE in response.get("content", {}):
            names["Retry-After"] = "RetryAfter"
        told = {name: {"$ref": f"#/components/headers/{ref}"} for name, ref in names.items()}
        if told:
            response["headers"] = {**told, **response.get("headers", {})}


def _takes_if_none_match(operation: Operation) -> bool:
    return any(told["name"] == "If-None-Match" for told in operation.get("parameters", []))
