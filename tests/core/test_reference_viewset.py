"""Plain resources: versions, other chains, filters, and rows that others need."""

import threading
from datetime import UTC, datetime

import django_filters
import pytest
from django.db import connection

from tests.core.benches import Bench, BenchFilter, BenchViewSet, Part
from tests.core.conftest import caller
from tests.core.test_db import both
from tests.core.test_problems import problem

pytestmark = pytest.mark.urls("tests.core.benches")

NOW = datetime(2027, 3, 1, 9, tzinfo=UTC)


@pytest.fixture
def bench(benches) -> Bench:
    return Bench.objects.create(name="oak", stands_since=NOW)


def change(client, pk: int, etag: str | None, **fields):
    headers = {} if etag is None else {"If-Match": etag}
    return client.patch(f"/api/benches/{pk}", fields, format="json", headers=headers)


def test_create_shows_the_row_where_it_is_and_its_version(benches, client):
    made = client.post(
        "/api/benches", {"name": "oak", "stands_since": "2027-03-01T09:00:00Z"}, format="json"
    )
    assert made.status_code == 201
    assert made.json()["version"] == 1
    read = client.get(made.headers["Location"])
    assert read.json() == made.json()
    assert read.headers["ETag"] == made.headers["ETag"]


def test_a_change_with_the_etag_read_before_grows_the_version(bench, client):
    etag = client.get(f"/api/benches/{bench.pk}").headers["ETag"]
    changed = change(client, bench.pk, etag, name="elm")
    assert changed.status_code == 200
    assert (changed.json()["name"], changed.json()["version"]) == ("elm", 2)
    assert changed.headers["ETag"] != etag
    assert change(client, bench.pk, changed.headers["ETag"], note="x").status_code == 200


@pytest.mark.parametrize("etag", ['"1"', "*"])
def test_the_bare_version_and_a_star_do_too(bench, client, etag):
    assert change(client, bench.pk, etag, name="elm").status_code == 200


def test_a_change_without_a_version_is_refused(bench, client):
    problem(change(client, bench.pk, None, name="elm"), 428, "precondition_required")
    problem(client.delete(f"/api/benches/{bench.pk}"), 428, "precondition_required")
    assert Bench.objects.get().name == "oak"


@pytest.mark.parametrize(
    "etag", ['"x", "1"', '"1", "2"', '"2","1-ab"', 'W/"2", , "1-ab-gzip"', '"a,", "1"', '\t"1",']
)
def test_any_of_several_tags_may_hold(bench, client, etag):
    """RFC 9110, 13.1.1 and 5.6.1."""
    assert change(client, bench.pk, etag, name="elm").status_code == 200
    bench.refresh_from_db()
    assert (bench.name, bench.version) == ("elm", 2)


@pytest.mark.parametrize(
    "etag",
    [
        '"7"',
        '"2-abc"',
        'W/"1"',
        "1",
        '"x"',
        '""',
        'W/"1", "2"',
        '"2", "3"',
        '"x", "y"',
        '"1" "2"',
        '"1"x, "2"',
        "*, *",
    ],
)
def test_a_change_of_another_version_is_refused(bench, client, etag):
    problem(change(client, bench.pk, etag, name="elm"), 412, "stale")
    assert Bench.objects.get().name == "oak"


def test_a_stale_change_tells_the_current_version(bench, client):
    bench.save()
    told = problem(change(client, bench.pk, '"1"', name="elm"), 412, "stale")
    assert told["current_version"] == 2


def test_a_service_checks_the_version_too(bench, client):
    url = f"/api/benches/{bench.pk}/rename"
    for version, status in (('"1"', 200), ('"1"', 412), ('"1", "2"', 200), ('W/"3", "2"', 412)):
        headers = {"If-Match": version}
        told = client.post(url, {"name": f"x{version}"[:9]}, format="json", headers=headers)
        assert told.status_code == status


def test_of_two_changes_at_once_one_is_told_that_it_is_stale(committed_benches):
    pk = Bench.objects.create(name="oak", stands_since=NOW).pk
    start = threading.Barrier(2)
    statuses = []

    def rename(name):
        def work():
            start.wait(10)
            statuses.append(change(caller(), pk, '"1"', name=name).status_code)
            connection.close()

        return work

    assert both(rename("elm"), rename("ash")) == []
    assert sorted(statuses) == [200, 412]
    assert Bench.objects.get().version == 2


def test_a_row_that_is_known_is_not_sent_again(bench, client):
    url = f"/api/benches/{bench.pk}"
    etag = client.get(url).headers["ETag"]
    for known in (etag, f"W/{etag}", f'"other", {etag}', "*"):
        same = client.get(url, headers={"If-None-Match": known})
        assert (same.status_code, same.content) == (304, b"")
        assert same.headers["ETag"] == etag
    bench.save()
    assert client.get(url, headers={"If-None-Match": etag}).status_code == 200


def test_a_page_that_is_known_is_not_sent_again(bench, client):
    etag = client.get("/api/benches").headers["ETag"]
    known = {"If-None-Match": etag}
    assert client.get("/api/benches", headers=known).status_code == 304
    Bench.objects.create(name="elm", stands_since=NOW)
    assert client.get("/api/benches", headers=known).status_code == 200


def test_what_belongs_to_another_chain_does_not_exist(bench):
    other = caller(chain=2)
    url = f"/api/benches/{bench.pk}"
    problem(other.get(url), 404, "not_found")
    problem(change(other, bench.pk, "*", name="elm"), 404, "not_found")
    problem(other.delete(url, headers={"If-Match": "*"}), 404, "not_found")
    assert other.get("/api/benches").json()["items"] == []
    assert Bench.objects.get().name == "oak"


@pytest.mark.parametrize("pk", ["x", "0", "9" * 18, "9" * 40, "1%00", "-1"])
def test_keys_that_nothing_has(benches, client, pk):
    problem(client.get(f"/api/benches/{pk}"), 404, "not_found")


def test_a_removal_takes_several_tags_too(bench, client):
    url = f"/api/benches/{bench.pk}"
    problem(client.delete(url, headers={"If-Match": '"2", "3"'}), 412, "stale")
    assert client.delete(url, headers={"If-Match": '"x", "1"'}).status_code == 204


def test_remove(bench, client):
    assert client.delete(f"/api/benches/{bench.pk}", headers={"If-Match": '"1"'}).status_code == 204
    assert not Bench.objects.exists()


def test_a_row_that_others_point_at_stays(committed_benches, client):
    """The app is not installed, so here it is the database's key that refuses, at the commit."""
    bench = Bench.objects.create(name="oak", stands_since=NOW)
    Part.objects.create(bench=bench)
    told = client.delete(f"/api/benches/{bench.pk}", headers={"If-Match": '"1"'})
    problem(told, 409, "conflict")
    assert Bench.objects.exists()


def test_a_name_that_is_taken_in_between_is_a_conflict(bench, client):
    values = {"name": "oak", "stands_since": "2027-03-01T09:00:00Z"}
    told = problem(client.post("/api/benches", values, format="json"), 409, "already_exists")
    assert told["constraint"] == "bench_name_once"


class TestParameters:
    def test_declared_filters_count(self, bench, client):
        Bench.objects.create(name="elm", stands_since=NOW.replace(day=3))
        for query, found in (
            ({"name": "elm"}, ["elm"]),
            ({"stands_since_after": "2027-03-02T00:00:00Z"}, ["elm"]),
            ({"stands_since_before": "2027-03-02T00:00:00Z"}, ["oak"]),
        ):
            items = client.get("/api/benches", query).json()["items"]
            assert [item["name"] for item in items] == found

    @pytest.mark.parametrize(
        "url", ["/api/benches?nmae=oak", "/api/benches?stands_since=x", "/api/benches?format=json"]
    )
    def test_an_unknown_one_is_refused_and_named(self, bench, client, url):
        told = problem(client.get(url), 400, "parameter_unknown")
        assert told["errors"][0]["parameter"] in url
        assert "stands_since_after" in told["detail"]

    def test_a_wrong_value_is_refused_and_named(self, bench, client):
        told = problem(client.get("/api/benches?least=x"), 400, "parameter_invalid")
        assert told["errors"][0]["parameter"] == "least"

    @pytest.mark.parametrize("name", ["limit", "cursor", "name", "stands_since_after"])
    def test_one_that_stands_twice_is_refused_and_named(self, bench, client, name):
        told = problem(client.get(f"/api/benches?{name}=1&{name}=2"), 400, "parameter_invalid")
        assert [(one["parameter"], one["code"]) for one in told["errors"]] == [(name, "repeated")]

    def test_one_that_is_a_list_may(self, bench, client, monkeypatch):
        class Several(BenchFilter):
            name = django_filters.MultipleChoiceFilter(choices=[("elm", ""), ("oak", "")])

        monkeypatch.setattr(BenchViewSet, "filterset_class", Several)
        Bench.objects.create(name="elm", stands_since=NOW)
        Bench.objects.create(name="ash", stands_since=NOW)
        items = client.get("/api/benches?name=elm&name=oak").json()["items"]
        assert {item["name"] for item in items} == {"elm", "oak"}

    def test_a_row_takes_no_filters(self, bench, client):
        problem(client.get(f"/api/benches/{bench.pk}?name=oak"), 400, "parameter_unknown")

    def test_a_write_takes_none_either(self, benches, client):
        problem(client.post("/api/benches?x=1", {}, format="json"), 400, "parameter_unknown")

    def test_an_action_names_its_own(self, benches, client):
        span = {"start": "2027-03-01T09:00:00Z", "end": "2027-03-01T10:00:00Z", "lines": []}
        url = "/api/benches/plan"
        assert client.post(f"{url}?loud=1", span, format="json").json() == {"seconds": 3600}
        problem(client.post(f"{url}?soft=1", span, format="json"), 400, "parameter_unknown")

    def test_a_plain_view_without_parameters_takes_none(self, client):
        problem(client.get("/broken?x=1"), 400, "parameter_unknown")
