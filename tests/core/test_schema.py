"""The OpenAPI document says what the bases do."""

import json

import pytest
from drf_spectacular.generators import SchemaGenerator
from openapi_spec_validator import validate

from core.api import docs
from tests.core import benches

pytestmark = pytest.mark.urls("tests.core.benches")


@pytest.fixture
def document(monkeypatch) -> dict:
    generator = SchemaGenerator(patterns=benches.urlpatterns)
    return generator.get_schema(request=None, public=True)


def header_names(operation: dict) -> set[str]:
    return {p["name"] for p in operation["parameters"] if p["in"] == "header"}


def resolved(document: dict, told: dict) -> dict:
    name = told.get("$ref", "").removeprefix("#/components/responses/")
    return document["components"]["responses"][name] if name else told


def test_is_valid_openapi(document):
    assert document["openapi"].startswith("3.1")
    validate(json.loads(json.dumps(document)))


def test_every_problem_is_a_problem_document(document):
    for path in document["paths"].values():
        for operation in path.values():
            assert "503" in operation["responses"]
            for status, response in operation["responses"].items():
                if status.startswith("4"):
                    [(media_type, told)] = resolved(document, response)["content"].items()
                    assert media_type == "application/problem+json"
                    assert told["schema"] == {"$ref": "#/components/schemas/Problem"}


def test_keys_and_versions_are_headers(document):
    paths = document["paths"]
    assert "If-Match" in header_names(paths["/api/benches/{id}"]["patch"])
    assert {"412", "428"} <= set(paths["/api/benches/{id}"]["patch"]["responses"])
    [key] = [
        p
        for p in paths["/api/benches/build"]["post"]["parameters"]
        if p["name"] == "Idempotency-Key"
    ]
    assert key["required"] is True
    assert "Idempotency-Key" in header_names(paths["/api/benches"]["post"])


def test_headers_of_answers_are_declared(document):
    def headers(path: str, method: str, status: str) -> set[str]:
        told = resolved(document, document["paths"][path][method]["responses"][status])
        return set(told["headers"])

    quota = {"RateLimit", "RateLimit-Policy"}
    always = {"X-Request-ID"} | quota
    assert headers("/api/benches", "get", "200") == always | {"ETag", "Link"}
    assert headers("/api/benches", "get", "304") == always | {"ETag", "Link"}
    assert headers("/api/benches/{id}", "patch", "200") == always | {"ETag"}
    assert headers("/api/benches/{id}", "delete", "204") == always
    made = {"ETag", "Location", "Idempotency-Replayed"}
    assert headers("/api/benches", "post", "201") == always | made
    assert headers("/api/benches", "post", "401") == always | {"WWW-Authenticate"}
    assert headers("/api/benches", "post", "429") == always | {"Retry-After"}
    assert headers("/api/health", "get", "200") == {"X-Request-ID"}


def test_pages_have_items_and_parameters(document):
    listing = document["paths"]["/api/benches"]["get"]
    names = {p["name"] for p in listing["parameters"]}
    assert {"limit", "cursor", "name", "stands_since_after", "stands_since_before"} <= names
    schema = listing["responses"]["200"]["content"]["application/json"]["schema"]
    page = document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
    assert page["properties"]["items"]["type"] == "array"


def test_open_endpoints_ask_for_no_token(document):
    assert document["paths"]["/api/health"]["get"].get("security", []) == []
    assert document["paths"]["/api/benches"]["get"]["security"] == [{"token": []}]
    assert document["paths"]["/api/benches"]["get"]["x-policy"] == "bench.read"


def test_is_served_and_shown_with_assets_of_our_own(client):
    docs.document.cache_clear()
    served = client.get("/api/openapi.json")
    docs.document.cache_clear()
    assert served.status_code == 200
    assert served.json()["paths"]["/api/benches"]
    page = client.get("/api/docs", headers={"Accept": "text/html"})
    assert page.status_code == 200
    text = page.content.decode()
    assert "/static/drf_spectacular_sidecar/" in text
    assert "https://cdn" not in text
