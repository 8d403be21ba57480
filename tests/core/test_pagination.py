"""Pages by keyset: every row once, over ties and changes, with one query."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ImproperlyConfigured
from django.db import connection
from django.db.models import F
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from core.api.keyset import Keyset, fields_of
from core.api.pagination import KeysetPagination
from tests.core.benches import Bench, BenchViewSet, Part
from tests.core.conftest import caller
from tests.core.test_problems import problem

pytestmark = pytest.mark.urls("tests.core.benches")

NOW = datetime(2027, 3, 1, 9, tzinfo=UTC)
URL = "/api/benches"


def fill(minutes: list[int]) -> list[int]:
    """Benches that stand since so many microseconds; their keys in the order of the list."""
    rows = [
        Bench.objects.create(name=f"b{n}", stands_since=NOW + timedelta(microseconds=minute))
        for n, minute in enumerate(minutes)
    ]
    return [row.pk for row in sorted(rows, key=lambda row: (row.stands_since, row.pk))]


def read(client, url: str, rel: str = "next") -> tuple[list[int], list[str]]:
    """All keys from the address on, and the addresses of the pages."""
    keys, urls = [], []
    while url:
        page = client.get(url)
        assert page.status_code == 200, page.content
        urls.append(url)
        items = [item["id"] for item in page.json()["items"]]
        keys = keys + items if rel == "next" else items + keys
        url = page.json()[rel]
    return keys, urls


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(st.lists(st.integers(0, 3), max_size=12), st.integers(1, 5))
def test_every_row_comes_once_in_order_over_ties(benches, minutes, limit):
    Bench.objects.all().delete()
    expected = fill(minutes)
    client = caller()
    keys, urls = read(client, f"{URL}?limit={limit}")
    assert keys == expected
    assert len(urls) == max(1, -(-len(minutes) // limit))


def test_reads_backwards_the_same_pages(benches, client):
    expected = fill([0, 0, 1, 1, 1, 2, 2])
    _, urls = read(client, f"{URL}?limit=3")
    back = client.get(urls[-1]).json()["previous"]
    keys, _ = read(client, back, rel="previous")
    assert keys == expected[:6]


def test_a_page_in_the_middle_links_both_ways_and_to_the_first(benches, client):
    expected = fill([0, 1, 2, 3, 4])
    first = client.get(f"{URL}?limit=2")
    assert first.json()["previous"] is None
    middle = client.get(first.json()["next"])
    links = dict(
        reversed([part.strip("<> ") for part in link.split("; rel=")])
        for link in middle.headers["Link"].split(", ")
    )
    links = {rel.strip('"'): url.rstrip(">") for rel, url in links.items()}
    assert links["next"] == middle.json()["next"]
    assert links["prev"] == middle.json()["previous"]
    assert [i["id"] for i in client.get(links["prev"]).json()["items"]] == expected[:2]
    assert [i["id"] for i in client.get(links["first"]).json()["items"]] == expected[:2]


def test_rows_that_come_or_go_between_pages_move_nothing(benches, client):
    expected = fill([10, 20, 30, 40])
    page = client.get(f"{URL}?limit=2").json()
    Bench.objects.filter(pk__in=expected[:2]).delete()
    fill_before = Bench.objects.create(name="new", stands_since=NOW)
    rest, _ = read(client, page["next"])
    assert rest == expected[2:]
    assert fill_before.pk not in rest


def test_an_empty_list_has_no_links_but_the_first(benches, client):
    page = client.get(URL)
    assert page.json() == {"items": [], "next": None, "previous": None}
    assert page.headers["Link"].endswith('rel="first"')


@pytest.mark.parametrize("count", [2, 12])
def test_costs_one_query_however_many_rows(benches, client, count):
    fill(list(range(count)))
    cursor = client.get(f"{URL}?limit=1").json()["next"]
    with CaptureQueriesContext(connection) as told:
        assert client.get(cursor.replace("limit=1", "limit=12")).status_code == 200
    assert len(selects(told)) == 1


def test_compares_whole_rows_so_that_one_index_answers(benches, client):
    fill([0, 1, 2])
    following = client.get(f"{URL}?limit=1").json()["next"]
    with CaptureQueriesContext(connection) as told:
        client.get(following)
    assert '("benches_bench"."stands_since", "benches_bench"."id") > (' in selects(told)[0]


def selects(told: CaptureQueriesContext) -> list[str]:
    """What was read; not what names the chain and opens the transaction for it."""
    return [query["sql"] for query in told if query["sql"].startswith("SELECT")]


@pytest.mark.parametrize("limit", ["0", "201", "-1", "x", "1.5", "", "٣", "9" * 400])
def test_a_wrong_limit_is_refused(benches, client, limit):
    body = problem(client.get(URL, {"limit": limit}), 400, "parameter_invalid")
    assert body["errors"][0]["parameter"] == "limit"


@pytest.mark.parametrize(
    "spoil", [lambda c: c[:-1], lambda c: "x" + c, lambda _: "", lambda _: "WzFd"]
)
def test_a_spoilt_cursor_is_refused(benches, client, spoil):
    fill([0, 1])
    cursor = client.get(f"{URL}?limit=1").json()["next"].split("cursor=")[1].split("&")[0]
    problem(client.get(URL, {"cursor": spoil(cursor)}), 400, "parameter_invalid")


def test_a_cursor_holds_for_its_own_filters_only(benches, client):
    fill([0, 1])
    following = client.get(f"{URL}?limit=1").json()["next"]
    problem(client.get(following + "&name=b1"), 400, "parameter_invalid")
    assert client.get(following.replace("limit=1", "limit=7")).status_code == 200


def test_a_cursor_holds_in_its_own_chain_only(benches, client):
    fill([0, 1])
    following = client.get(f"{URL}?limit=1").json()["next"]
    body = problem(caller(chain=2).get(following), 400, "parameter_invalid")
    assert body["errors"][0]["parameter"] == "cursor"
    # Whoever asks for the same chain may read on.
    assert caller("bob").get(following).status_code == 200


def test_filters_are_carried_along(benches, client):
    expected = fill([0, 1, 2, 3])
    keys, urls = read(client, f"{URL}?limit=1&least={expected[2]}")
    assert keys == expected[2:]
    assert len(urls) == 2


def test_downwards(benches, client, monkeypatch):
    monkeypatch.setattr(BenchViewSet, "keyset", ("-stands_since", "-id"))
    expected = fill([0, 0, 1, 2, 2])
    keys, urls = read(client, f"{URL}?limit=2")
    assert keys == expected[::-1]
    back, _ = read(client, client.get(urls[-1]).json()["previous"], rel="previous")
    assert back == expected[:0:-1]


def test_the_caller_chooses_among_declared_orderings(benches, client, monkeypatch):
    monkeypatch.setattr(
        BenchViewSet,
        "orderings",
        {"oldest": ("stands_since", "id"), "newest": ("-stands_since", "-id")},
        raising=False,
    )
    expected = fill([3, 1, 2])
    assert read(client, f"{URL}?limit=1")[0] == expected
    assert read(client, f"{URL}?limit=1&ordering=newest")[0] == expected[::-1]
    problem(client.get(f"{URL}?ordering=name"), 400, "parameter_invalid")


class TestKeyset:
    @pytest.mark.parametrize("names", [("note", "id"), ("stands_since",), ("bench__note", "id")])
    def test_one_that_may_be_null_or_is_not_unique_is_a_mistake(self, names):
        rows = Part.objects.all() if "bench__note" in names else Bench.objects.all()
        with pytest.raises(ImproperlyConfigured):
            fields_of(rows, names)

    def test_a_mixed_order_is_a_mistake(self):
        with pytest.raises(ImproperlyConfigured):
            Keyset.parse(("-stands_since", "id"))

    def test_goes_through_relations_and_annotations(self, benches):
        fill([2, 1])
        for bench in Bench.objects.all():
            Part.objects.create(bench=bench)
        rows = Part.objects.select_related("bench").annotate(since=F("bench__stands_since"))
        for names in (("bench__stands_since", "id"), ("since", "id")):
            keyset = Keyset.parse(names)
            first, second = keyset.ordered(rows, backwards=False)
            values = keyset.values_of(first)
            assert list(keyset.beyond(rows, values, backwards=False)) == [second]


def test_the_document_says_what_a_page_is():
    schema = KeysetPagination().get_paginated_response_schema({"type": "array"})
    assert set(schema["required"]) == {"items", "next", "previous"}
