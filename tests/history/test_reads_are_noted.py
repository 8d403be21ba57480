"""Whatever shows a patient's record notes that it did; what only counts patients is named here."""

from typing import Any, Final

import pytest
import yaml
from drf_spectacular.generators import EndpointEnumerator

from config.checks import DOCUMENT
from core.reads import leads_to_patient

pytestmark = pytest.mark.django_db

OF_RECORDS: Final = {
    "appointment",
    "course",
    "family_name",
    "given_name",
    "patient",
    "recall",
    "session",
    "tattoo",
}
"""Properties of answers that say whose record something is part of."""

OF_NOBODY: Final = {
    "/api/v1/lasers/{id}/history": "only changes that are part of no patient's record",
    "/api/v1/record-reads": "who read what: of the record itself it shows nothing",
}


def properties(schema: dict[str, Any], schemas: dict[str, Any], seen: tuple = ()) -> set[str]:
    """Names of all properties that an answer of this schema can have, however deep."""
    if "$ref" in schema:
        name = schema["$ref"].rsplit("/", 1)[1]
        return set() if name in seen else properties(schemas[name], schemas, (*seen, name))
    found = set(schema.get("properties", {}))
    parts = [*schema.get("properties", {}).values()]
    for kind in ("allOf", "anyOf", "oneOf"):
        parts += schema.get(kind, [])
    if isinstance(schema.get("items"), dict):
        parts.append(schema["items"])
    return found.union(*(properties(part, schemas, seen) for part in parts))


def reads() -> dict[str, tuple[set[str], Any]]:
    """Each address that is read: what its answer can name, and its view."""
    document = yaml.load(DOCUMENT.read_text(), Loader=yaml.CSafeLoader)
    found = {}
    for path, _, method, callback in EndpointEnumerator().get_api_endpoints():
        address = path.replace("{pk}", "{id}")
        if method != "GET" or address not in document["paths"]:
            continue
        contents = document["paths"][address]["get"]["responses"].get("200", {}).get("content", {})
        names = set().union(
            *(
                properties(content.get("schema", {}), document["components"]["schemas"])
                for content in contents.values()
            )
        )
        found[address] = names, callback.cls(**callback.initkwargs)
    return found


def test_what_shows_records_notes_it():
    seen = reads()
    silent = {
        address
        for address, (names, view) in seen.items()
        if names & OF_RECORDS
        and not (view.shown_model() is not None and leads_to_patient(view.shown_model()))
    }
    assert silent == set(OF_NOBODY)
    assert len(seen) > 100
