"""Asks an operation of the world as somebody, and takes back what it did."""

import json
import uuid
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.http import StreamingHttpResponse
from rest_framework import serializers

from tests.support.access_world import World, undone
from tests.support.api import Caller
from tests.support.bodies import DAY, minimal, value
from tests.support.demo import LOADED_AT
from tests.support.good_bodies import GOOD_BODIES
from tests.support.operations import Operation

SIMPLE = (
    serializers.CharField,
    serializers.BooleanField,
    serializers.IntegerField,
    serializers.FloatField,
    serializers.DateField,
)
NO_SECRET = "x" * 43


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    text: str

    def __str__(self) -> str:
        return f"{self.status} {self.text[:300]}"


def ask(
    world: World,
    operation: Operation,
    caller: Caller,
    *,
    keys: dict[str, Any] | None = None,
    body: Any = None,
    query: dict[str, Any] | None = None,
    headers: dict[str, str] | None = None,
    times: int = 1,
    keep: Any = None,
) -> Answer:
    """Send the operation with keys of the world's rows; `keep` looks before it is taken back.

    `headers` are sent beside or instead of a new Idempotency-Key and, but for GET, If-Match.
    """
    sent_with = {"Idempotency-Key": uuid.uuid4().hex}
    if operation.method != "GET":
        sent_with["If-Match"] = "*"
    sent_with |= headers or {}
    address = operation.path.format(**(keys if keys is not None else keys_of(world, operation)))
    asked = {**required_query(operation), **(query or {})}
    if asked:
        address += "?" + "&".join(f"{name}={value}" for name, value in asked.items())
    sent = body if body is not None else body_of(world, operation)
    with undone():
        for _ in range(times):
            answer = caller.client.generic(
                operation.method,
                address,
                _json(sent) if operation.method not in {"GET", "DELETE"} else "",
                content_type="application/json",
                headers=sent_with,
            )
        text = _text(answer)
        if keep is not None:
            keep(answer)
    return Answer(answer.status_code, text)


def keys_of(world: World, operation: Operation) -> dict[str, Any]:
    """The address's parameters: keys of rows of the world's chain."""
    return {
        name: NO_SECRET if model is None else world.row(model).pk
        for name, model in operation.path_models().items()
    }


def body_of(world: World, operation: Operation) -> Any:
    """What the operation needs to be told, with keys of the world's chain."""
    given = GOOD_BODIES.get(operation.name)
    if operation.method == "PATCH" and operation.body is not None:
        return {**_one_field(operation.body), **(given(world) if given else {})}
    made = minimal(operation.body, lambda model: world.row(model).pk)
    return {**made, **given(world)} if given else made


def _one_field(serializer: Any) -> dict[str, Any]:
    """A change of one plain field."""
    for name, one in serializer.fields.items():
        if isinstance(one, SIMPLE) and not one.read_only:
            return {name: value(one, name, None)}
    return {}


def required_query(operation: Operation) -> dict[str, Any]:
    """The query parameters without which it is refused."""
    found = {}
    for name, told in operation.query().items():
        if told.get("required"):
            kind = told["schema"].get("format")
            late = name in {"end", "to", "until"}
            when = LOADED_AT + timedelta(days=late)
            found[name] = (
                (DAY + timedelta(days=late)).isoformat()
                if kind == "date"
                else when.strftime("%Y-%m-%dT%H:%M:%SZ")
                if kind == "date-time"
                else told["schema"].get("default", _least(told["schema"]))
            )
    return found


def _least(schema: dict[str, Any]) -> Any:
    return schema.get("enum", [max(1, schema.get("minimum", 1))])[0]


def _json(body: Any) -> str:
    return json.dumps(body)


def _text(answer: Any) -> str:
    if isinstance(answer, StreamingHttpResponse):
        return b"".join(answer.streaming_content).decode(errors="replace")
    return answer.content.decode(errors="replace")
