"""Whatever goes wrong is a problem document that a program and a person can use."""

import psycopg
import pytest
from django.core.exceptions import PermissionDenied, SuspiciousOperation, ValidationError
from django.db import DataError, IntegrityError, InterfaceError, OperationalError
from django.db.models import ProtectedError
from django.http import Http404
from django.test import Client
from rest_framework.exceptions import ErrorDetail

from core.api.pointers import field_errors
from core.api.translation import describe
from core.errors import (
    Busy,
    Conflict,
    DomainError,
    Forbidden,
    Malformed,
    NotFound,
    PreconditionRequired,
    Refused,
    Stale,
)
from tests.core.benches import BenchViewSet, Broken
from tests.core.conftest import caller

pytestmark = [pytest.mark.django_db, pytest.mark.urls("tests.core.benches")]


def problem(response, status: int, code: str) -> dict:
    assert response.status_code == status, response.content
    assert response.headers["Content-Type"] == "application/problem+json"
    body = response.json()
    assert {"type", "title", "status", "detail", "instance", "code", "request_id"} <= set(body)
    assert (body["status"], body["code"], body["type"]) == (status, code, f"/problems/{code}")
    assert body["request_id"] == response.headers["X-Request-ID"]
    return body


def caused(kind: type[Exception], cause: psycopg.Error | None = None) -> Exception:
    error = kind("secret internals")
    error.__cause__ = cause
    return error


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [
        (Malformed(), 400, "malformed"),
        (Forbidden(), 403, "forbidden"),
        (NotFound(), 404, "not_found"),
        (Conflict(), 409, "conflict"),
        (Stale(), 412, "stale"),
        (Refused(), 422, "refused"),
        (PreconditionRequired(), 428, "precondition_required"),
        (Busy(), 503, "busy"),
        (Http404("secret internals"), 404, "not_found"),
        (PermissionDenied("secret internals"), 403, "forbidden"),
        (SuspiciousOperation("secret internals"), 400, "malformed"),
        (ValidationError({"name": ["bad"]}), 400, "invalid"),
        (caused(OperationalError, psycopg.errors.LockNotAvailable()), 503, "busy"),
        (caused(OperationalError, psycopg.errors.DeadlockDetected()), 503, "busy"),
        (caused(OperationalError, psycopg.errors.SerializationFailure()), 503, "busy"),
        (caused(OperationalError, psycopg.errors.QueryCanceled()), 503, "busy"),
        (caused(OperationalError, psycopg.OperationalError()), 503, "database_unavailable"),
        (caused(OperationalError, psycopg.errors.AdminShutdown()), 503, "database_unavailable"),
        (
            caused(OperationalError, psycopg.errors.TooManyConnections()),
            503,
            "database_unavailable",
        ),
        (caused(InterfaceError, psycopg.InterfaceError()), 503, "database_unavailable"),
        (caused(IntegrityError, psycopg.errors.ExclusionViolation()), 409, "overlap"),
        (caused(IntegrityError, psycopg.errors.UniqueViolation()), 409, "already_exists"),
        (caused(IntegrityError, psycopg.errors.ForeignKeyViolation()), 409, "conflict"),
        (ProtectedError("secret internals", set()), 409, "in_use"),
        (caused(IntegrityError, psycopg.errors.CheckViolation()), 422, "constraint_refused"),
        (caused(DataError, psycopg.errors.NumericValueOutOfRange()), 400, "out_of_range"),
    ],
)
def test_each_error_has_its_status_and_code(client, monkeypatch, error, status, code):
    monkeypatch.setattr(Broken, "error", error)
    response = client.get("/broken")
    body = problem(response, status, code)
    assert body["instance"] == "/broken"
    assert "secret" not in response.content.decode()
    assert ("Retry-After" in response.headers) == (status == 503)


def test_an_unforeseen_error_is_a_500_without_internals(client, monkeypatch):
    monkeypatch.setattr(Broken, "error", RuntimeError("secret internals"))
    body = problem(client.get("/broken"), 500, "internal_error")
    assert "secret" not in str(body)


def test_an_unforeseen_database_error_is_a_500():
    assert describe(caused(OperationalError, psycopg.errors.DiskFull())) is None


def test_a_refusal_whose_data_cannot_be_read_any_more_is_told_as_what_happened_since():
    class ReadLate(Conflict):
        @property
        def data(self):
            raise caused(OperationalError, psycopg.errors.AdminShutdown())

        @data.setter
        def data(self, value):
            pass

    told = describe(ReadLate())
    assert (told.status, told.code) == (503, "database_unavailable")
    assert told.headers["Retry-After"]


def test_data_of_an_error_stands_beside_the_members_and_never_over_them(client, monkeypatch):
    error = Conflict("Taken.", alternatives=[{"start": "x"}], status=200, code="mine")
    monkeypatch.setattr(Broken, "error", error)
    body = problem(client.get("/broken"), 409, "conflict")
    assert body["alternatives"] == [{"start": "x"}]
    assert body["detail"] == "Taken."


def test_a_domain_error_outside_of_all_meanings_is_a_mistake_of_ours():
    with pytest.raises(TypeError):
        describe(DomainError())


class TestOutsideOfTheViews:
    def test_unknown_address(self, client):
        assert problem(client.get("/nowhere"), 404, "not_found")["instance"] == "/nowhere"

    @pytest.mark.urls("config.urls")
    @pytest.mark.parametrize("method", ["post", "put", "patch", "delete"])
    @pytest.mark.parametrize("path", ["/api/v1/nowhere", "/api/v1/patients/abc", "/api/v1/"])
    def test_a_write_to_an_unknown_address_is_told_so_and_nothing_of_cookies(self, method, path):
        outside = Client(enforce_csrf_checks=True)
        problem(getattr(outside, method)(path), 404, "not_found")

    def test_method_not_allowed(self, client):
        response = client.put("/api/benches", {}, format="json")
        problem(response, 405, "method_not_allowed")
        assert "POST" in response.headers["Allow"]

    def test_a_method_that_the_resource_has_narrowed_away(self, client, monkeypatch):
        monkeypatch.setattr(BenchViewSet, "http_method_names", ["get", "head"])
        problem(client.delete("/api/benches/1"), 405, "method_not_allowed")

    def test_head_has_the_policy_of_get(self, client):
        assert client.head("/api/health").status_code == 200
        assert client.head("/undeclared").status_code == 500

    def test_without_a_credential(self):
        response = caller().__class__().get("/api/benches")
        problem(response, 401, "not_authenticated")
        assert response.headers["WWW-Authenticate"] == "Test"

    def test_without_the_role(self):
        problem(caller(may="bench.read").delete("/api/benches/1"), 403, "forbidden")

    def test_a_view_without_a_policy_is_a_mistake_of_ours(self, client):
        problem(client.get("/undeclared"), 500, "internal_error")

    def test_unacceptable(self, client):
        problem(client.get("/broken", headers={"Accept": "text/html"}), 406, "not_acceptable")


class TestBodies:
    def post(self, client, raw: bytes | str, content_type: str = "application/json"):
        return client.post("/api/benches/plan", raw, content_type=content_type)

    @pytest.mark.parametrize(
        "raw",
        [
            b"{",
            b'{"start": NaN}',
            b'{"start": Infinity}',
            b"\xff\xfe",
            b'{"start": "\\ud800"}',
            b"[" * 200_000,
        ],
    )
    def test_broken_json(self, client, raw):
        problem(self.post(client, raw), 400, "malformed")

    @pytest.mark.parametrize(
        "number", [b"9" * 5_000, b"-" + b"9" * 309, b"1e999", b"-1e999", b"1" + b"0" * 309 + b".5"]
    )
    def test_a_number_without_measure_is_told_in_our_own_words(self, client, number):
        body = problem(
            self.post(client, b'{"lines": [{"length_mm": %s}]}' % number), 400, "malformed"
        )
        assert number[:5].decode() in body["detail"]
        assert body["detail"].startswith("The body has a ")
        assert "sys." not in body["detail"]

    @pytest.mark.parametrize("number", [b"9" * 308, b"1e308", b"0.1", b"-0", b"1e-999"])
    def test_any_other_is_for_the_field_to_judge(self, client, number):
        span = b'"start": "2027-03-01T09:00:00Z", "end": "2027-03-01T09:01:00Z"'
        raw = b'{%s, "lines": [{"length_mm": %s}]}' % (span, number)
        assert self.post(client, raw).status_code == 200

    @pytest.mark.parametrize(
        ("raw", "pointers"),
        [
            (b'{"start": 1, "lines": [], "start": 2}', {"/start"}),
            (
                b'{"lines": [{"length_mm": 1}, {"length_mm": 5, "length_mm": 5}]}',
                {"/lines/1/length_mm"},
            ),
            (b'{"a/b": 1, "a\\/b": 1, "c": 1, "c": 2}', {"/a~1b", "/c"}),
            (b'{"a": {"b": 1, "b": 2}, "a": {"b": 1}}', {"/a"}),
            (b'[[{"": 1, "": 2}]]', {"/0/0/"}),
            (b'{"a":' * 500 + b'{"x": 1, "x": 1}' + b"}" * 500, {"/a" * 500 + "/x"}),
        ],
    )
    def test_a_name_that_stands_twice_is_pointed_at(self, client, raw, pointers):
        body = problem(self.post(client, raw), 400, "name_repeated")
        assert {error["pointer"] for error in body["errors"]} == pointers
        assert {error["code"] for error in body["errors"]} == {"repeated"}

    def test_of_many_such_names_some_are_told(self, client):
        raw = b"[" + b",".join([b'{"a": 1, "a": 2}'] * 1000) + b"]"
        assert len(problem(self.post(client, raw), 400, "name_repeated")["errors"]) == 20

    def test_the_same_name_in_different_objects_is_no_repetition(self, client):
        span = b'"start": "2027-03-01T09:00:00Z", "end": "2027-03-01T09:01:00Z"'
        raw = b"{%s, %s}" % (span, b'"lines": [{"length_mm": 1}, {"length_mm": 1}]')
        assert self.post(client, raw).status_code == 200

    @pytest.mark.parametrize("raw", [b"[]", b"3", b'"text"', b"null", b""])
    def test_json_of_another_shape(self, client, raw):
        problem(self.post(client, raw), 400, "invalid")

    def test_whole_characters_beyond_the_basic_plane_pass_the_parser(self, client):
        body = problem(self.post(client, b'{"start": "\\ud83d\\ude00"}'), 400, "invalid")
        assert "/start" in {error["pointer"] for error in body["errors"]}

    def test_another_media_type(self, client):
        problem(self.post(client, "a=1", "text/plain"), 415, "unsupported_media_type")

    def test_too_large(self, client, settings):
        settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 100
        problem(self.post(client, b"[" + b" " * 100 + b"]"), 413, "body_too_large")

    def test_wrong_fields_are_pointed_at(self, client):
        response = client.post(
            "/api/benches/plan",
            {"start": "2027-03-01T09:00:00", "end": "x", "lines": [{"length_mm": 1}, {}]},
            format="json",
        )
        errors = problem(response, 400, "invalid")["errors"]
        assert {(error["pointer"], error["code"]) for error in errors} == {
            ("/start", "naive"),
            ("/end", "invalid"),
            ("/lines/1/length_mm", "required"),
        }


def test_pointers_are_escaped_and_whole_objects_point_at_themselves():
    wrong = ErrorDetail("no", code="bad")
    detail = {
        "a/b~c": [wrong],
        "non_field_errors": [wrong],
        "rows": {3: [wrong]},
        "list": [[wrong]],
    }
    assert [error["pointer"] for error in field_errors(detail)] == [
        "/a~1b~0c",
        "",
        "/rows/3",
        "/list/0",
    ]


@pytest.mark.parametrize(
    ("code", "status", "title"),
    [
        ("bench_too_old", 422, "This bench is too old"),
        ("not_authenticated", 401, "No credential"),
        ("throttled", 429, "Too many requests"),
        ("in_use", 409, "Other records point at it"),
        ("internal_error", 500, "Something went wrong here"),
    ],
)
class TestTypes:
    def test_a_program_is_told_what_it_means(self, code, status, title):
        told = Client().get(f"/problems/{code}").json()
        assert (told["code"], told["statuses"], told["title"]) == (code, [status], title)
        assert told["meaning"]
        assert told["advice"]

    def test_a_person_is_shown_a_page(self, code, status, title):
        accept = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
        page = Client().get(f"/problems/{code}", headers=accept)
        assert page.headers["Content-Type"] == "text/html; charset=utf-8"
        assert "Accept" in page.headers["Vary"]
        text = page.content.decode()
        assert f"<h1>{title}</h1>" in text
        assert f"<code>{code}</code>, {status}" in text
        assert "<script" not in text
        assert "`" not in text


@pytest.mark.parametrize("accept", ["application/json", "text/html"])
def test_a_type_that_there_is_not_is_a_problem(client, accept):
    problem(client.get("/problems/never_heard", headers={"Accept": accept}), 404, "not_found")
