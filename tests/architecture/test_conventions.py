"""Every operation of the document keeps the conventions of the API, whatever it does."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from django.test import Client
from rest_framework.settings import api_settings

from clinics.vocabulary import Role
from core.api.docs import document
from courses.channels import LinkPurpose, link_token
from tests.support.api import Caller
from tests.support.factories import make_chain, make_membership, make_staff

pytestmark = pytest.mark.django_db

KEY = "999999999"
"""Of no row: what is asked here is answered before a row is looked for."""
NOT_SIGNED_IN = {401, 403}
METHODS = {"get", "put", "post", "delete", "patch"}
ONE_FORM = ("/api/v1/metrics", "/calendars/")
"""What watchers and calendars read, in its one form whatever they say they take."""
TOKENS = {
    "r": link_token(int(KEY), purpose=LinkPurpose.REPLY),
    "u": link_token(int(KEY), purpose=LinkPurpose.UNSUBSCRIBE),
    "calendars": "x" * 43,
}
"""Of the form that they have, and of no row."""
UNCOUNTED = ("/api/v1/health", "/api/v1/metrics", "/api/v1/delivery-callbacks")
"""What a watcher asks all the time, and what providers tell in bursts, once."""
DOCUMENT = json.loads(document())["paths"]


@pytest.fixture
def client() -> Client:
    """Who holds every role, so that nothing is refused for want of one."""
    staff = make_staff(make_chain(), user=True)
    for role in Role:
        make_membership(staff, role)
    credentials = Caller(staff).client._credentials
    return Client(raise_request_exception=False, **credentials)


def operations(*methods: str) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, told in DOCUMENT.items():
        for method in sorted(METHODS & set(told)):
            if not methods or method in methods:
                yield method, address(path), told[method]


def address(path: str) -> str:
    token = TOKENS.get(path.split("/")[1], "")
    return path.replace("{id}", KEY).replace("{replan}", KEY).replace("{token}", token)


def takes_json(operation: dict[str, Any]) -> bool:
    return "application/json" in operation.get("requestBody", {}).get("content", {})


def ask(client: Client, method: str, path: str, data: Any = b"", **more: Any) -> Any:
    headers = {"If-Match": "*", "Idempotency-Key": "conventions", **more.pop("headers", {})}
    kind = more.pop("content_type", "application/json")
    return client.generic(method.upper(), path, data, content_type=kind, headers=headers, **more)


def refused(response: Any, status: int, code: str) -> str:
    """What is wrong with the refusal, or nothing. Who may not ask is told so first."""
    if response.headers.get("Content-Type") != "application/problem+json":
        return f"no problem: {response.status_code} {response.headers.get('Content-Type')}"
    body = response.json()
    if body["request_id"] != response.headers["X-Request-ID"]:
        return "another request id"
    if response.status_code in NOT_SIGNED_IN:
        return ""
    told = (response.status_code, body["code"])
    return "" if told == (status, code) else f"{told} {body['detail']}"


def wrong(checked: Iterator[tuple[str, str, str]]) -> dict[str, str]:
    return {f"{method} {path}": said for method, path, said in checked if said}


def test_an_unknown_parameter_is_refused_everywhere(client):
    def checked():
        for method, path, _ in operations():
            response = ask(client, method, f"{path}?no_such_parameter=1", b"{}")
            yield method, path, refused(response, 400, "parameter_unknown")

    assert wrong(checked()) == {}


def test_yes_or_no_is_said_in_one_way_everywhere(client):
    def checked():
        for method, path, operation in operations("get"):
            for told in operation.get("parameters", ()):
                if told["in"] == "query" and told["schema"].get("type") == "boolean":
                    response = ask(client, method, f"{path}?{told['name']}=2")
                    named = [one.get("parameter") for one in response.json().get("errors", ())]
                    yield method, path, "" if told["name"] in named else f"{response.status_code}"

    assert wrong(checked()) == {}


@pytest.mark.parametrize("value", ["", "%20", "%0B"])
def test_an_empty_value_is_none_everywhere(client, value):
    def checked():
        for method, path, operation in operations("get"):
            for told in operation.get("parameters", ()):
                kind = told["schema"].get("format") or str(told["schema"].get("type"))
                if told["in"] == "query" and kind in {"boolean", "date", "date-time", "integer"}:
                    response = ask(client, method, f"{path}?{told['name']}={value}")
                    named = [one.get("parameter") for one in response.json().get("errors", ())]
                    missing = KEY in path and response.status_code == 404
                    wrong = "" if missing or told["name"] in named else f"{response.status_code}"
                    yield method, f"{path}?{told['name']}", wrong

    assert wrong(checked()) == {}


def test_a_method_that_an_address_does_not_have_is_told_which_it_has(client):
    def checked():
        for path, told in DOCUMENT.items():
            has = METHODS & set(told)
            for method in sorted(METHODS - has):
                # Before anything is said of parameters, which are those of another method.
                response = ask(client, method, f"{address(path)}?no_such_parameter=1", b"{}")
                said = refused(response, 405, "method_not_allowed")
                allowed = {
                    word.strip().lower() for word in response.headers.get("Allow", "").split(",")
                }
                if not said and allowed - {"head", "options"} != has:
                    said = f"Allow: {allowed}"
                yield method, path, said

    assert wrong(checked()) == {}


def test_a_form_of_answer_that_there_is_not_is_refused(client):
    def checked():
        for method, path, _ in operations():
            if not path.startswith(ONE_FORM):
                response = ask(client, method, path, b"{}", headers={"Accept": "image/png"})
                yield method, path, refused(response, 406, "not_acceptable")

    assert wrong(checked()) == {}


@pytest.mark.parametrize(
    ("body", "kind", "status", "code"),
    [
        (b"{", "application/json", 400, "malformed"),
        (b'{"a": NaN}', "application/json", 400, "malformed"),
        (b"a=1", "text/plain", 415, "unsupported_media_type"),
        (b" " * 3_000_000 + b"{}", "application/json", 413, "body_too_large"),
    ],
    ids=["broken", "no number", "no JSON", "too large"],
)
def test_a_body_that_cannot_be_read_is_refused(client, body, kind, status, code):
    def checked():
        for method, path, operation in operations("post", "put", "patch"):
            if takes_json(operation):
                response = ask(client, method, path, body, content_type=kind)
                yield method, path, refused(response, status, code)

    assert wrong(checked()) == {}


def test_every_answer_tells_the_quota(client, monkeypatch):
    rates = dict.fromkeys(api_settings.DEFAULT_THROTTLE_RATES, "100000/min")
    monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", rates)

    def checked():
        for method, path, _ in operations():
            response = ask(client, method, f"{path}?no_such_parameter=1", b"{}")
            told = {"RateLimit", "RateLimit-Policy"} <= set(response.headers)
            free = response.status_code == 401 or path.startswith(UNCOUNTED)
            yield method, path, "" if told or free else "no quota"

    assert wrong(checked()) == {}
