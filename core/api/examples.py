"""Examples in the OpenAPI document: made from the schemas, with values by the names of fields.

Nothing is invented for a schema that the schema does not allow, so that an example of a changed
schema changes with it.
"""

import re
from collections.abc import Iterator
from typing import Any, Final

from django.conf import settings

Schema = dict[str, Any]

DEPTH: Final = 8
PLAIN: Final = {
    "date-time": "2027-03-01T09:00:00Z",
    "date": "2027-03-01",
    "time": "09:00:00Z",
    "email": "mira@example.org",
    "uri": "https://fallow.example/",
    "uuid": "6f1f64a1-3a0e-4f5e-9d5b-0f2b7c1d9e42",
    "binary": "",
}
WORD: Final = "text"
DATE: Final = r"\d{4}-\d{2}-\d{2}"


class Examples:
    """Gives each operation an example of its body and of its main answer; equal ones are shared."""

    def __init__(self, schemas: dict[str, Schema]) -> None:
        self.schemas = schemas
        self.shared: dict[str, Schema] = {}
        self.values: dict[str, tuple[Any, ...]] = getattr(settings, "FALLOW_EXAMPLE_VALUES", {})

    def give(self, operation: dict[str, Any]) -> None:
        """Put the examples into the operation, unless it has its own."""
        places = [operation.get("requestBody", {})]
        places += [told for code, told in operation["responses"].items() if code.startswith("2")]
        for place in places:
            for media_type, content in place.get("content", {}).items():
                if "json" in media_type and not {"example", "examples"} & set(content):
                    content["examples"] = {"example": self._shared(content["schema"])}

    def _shared(self, schema: Schema) -> Schema:
        reference = schema.get("$ref", "")
        if not reference:
            return {"value": self.of(schema)}
        name = reference.rpartition("/")[2]
        if name not in self.shared:
            self.shared[name] = {"value": self.of(schema)}
        return {"$ref": f"#/components/examples/{name}"}

    def of(self, schema: Schema, *, name: str = "", depth: int = 0) -> Any:
        """A value that the schema allows."""
        schema = self._plain(schema)
        for wished in self._wished(schema, name):
            return wished
        kind = _kind(schema)
        if kind == "object":
            return self._object(schema, depth)
        if kind == "array":
            return self._array(schema, name, depth)
        return _scalar(schema, kind)

    def _wished(self, schema: Schema, name: str) -> Iterator[Any]:
        """What the schema itself or the name of the field would have."""
        if "const" in schema:
            yield schema["const"]
        yield from (one for one in self.values.get(name, ()) if _allows(schema, one))
        yield from schema.get("enum", ())
        if schema.get("default") is not None:
            yield schema["default"]

    def _object(self, schema: Schema, depth: int) -> dict[str, Any]:
        members = schema.get("properties", {})
        if depth > DEPTH:
            members = {key: members[key] for key in schema.get("required", [])}
        made = {key: self.of(one, name=key, depth=depth + 1) for key, one in members.items()}
        more = schema.get("additionalProperties")
        if not members and isinstance(more, dict) and more:
            made["name"] = self.of(more, depth=depth + 1)
        return made

    def _array(self, schema: Schema, name: str, depth: int) -> list[Any]:
        items = schema.get("items", {})
        number = max(1, schema.get("minItems", 0)) if depth <= DEPTH else schema.get("minItems", 0)
        return [self.of(items, name=name, depth=depth + 1) for _ in range(number)]

    def _plain(self, schema: Schema) -> Schema:
        """The schema without references: of several that it may be, the first that says most."""
        while "$ref" in schema:
            named = self.schemas[schema["$ref"].rpartition("/")[2]]
            schema = {**named, **{key: one for key, one in schema.items() if key != "$ref"}}
        for one in schema.get("allOf", []):
            schema = {**self._plain(one), **{k: v for k, v in schema.items() if k != "allOf"}}
        for word in ("oneOf", "anyOf"):
            choices = [self._plain(one) for one in schema.get(word, [])]
            said = [one for one in choices if _kind(one) != "null"] or choices
            if said:
                rest = {key: one for key, one in schema.items() if key != word}
                schema = {**said[0], **rest}
        return schema


def _allows(schema: Schema, value: Any) -> bool:
    kind = _kind(schema)
    if "enum" in schema and value not in schema["enum"]:
        return False
    if value is None:
        return "null" in schema.get("type", ())
    if isinstance(value, str):
        return (
            kind == "string"
            and _has_format(value, schema.get("format"))
            and schema.get("minLength", 0) <= len(value) <= schema.get("maxLength", len(value))
            and re.search(schema.get("pattern", ""), value) is not None
        )
    if isinstance(value, bool):
        return kind == "boolean"
    if isinstance(value, int | float):
        fits = kind == "number" or (kind == "integer" and isinstance(value, int))
        return fits and _within(schema, value)
    return False


def _has_format(text: str, name: str | None) -> bool:
    if name == "date":
        return re.fullmatch(DATE, text) is not None
    return name not in PLAIN


def _kind(schema: Schema) -> str:
    said = schema.get("type", "object" if "properties" in schema else "")
    if isinstance(said, list):
        return str(next((one for one in said if one != "null"), "null"))
    return str(said)


def _within(schema: Schema, value: float) -> bool:
    return bool(
        schema.get("minimum", value) <= value <= schema.get("maximum", value)
        and value > schema.get("exclusiveMinimum", value - 1)
        and value < schema.get("exclusiveMaximum", value + 1)
    )


def _scalar(schema: Schema, kind: str) -> Any:
    if kind in {"integer", "number"}:
        return _number(schema, whole=kind == "integer")
    return {"boolean": False, "null": None}.get(kind, _text(schema))


def _number(schema: Schema, *, whole: bool) -> float:
    low, high = schema.get("minimum"), schema.get("maximum")
    above, below = schema.get("exclusiveMinimum"), schema.get("exclusiveMaximum")
    tries: list[Any] = [1, low, high]
    tries += [above + 1, above + 1e-3] if above is not None else []
    tries += [below - 1, below - 1e-3] if below is not None else []
    for one in tries:
        if one is not None and _within(schema, one) and not (whole and one != int(one)):
            return int(one) if whole else float(one)
    return 1


def _text(schema: Schema) -> str:
    plain = PLAIN.get(schema.get("format", ""))
    if plain is not None:
        return plain
    least: int = schema.get("minLength", 0)
    most: int = schema.get("maxLength", len(WORD))
    return (WORD * (1 + least // len(WORD)))[: max(least, min(most, len(WORD)))]
