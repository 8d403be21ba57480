"""A repeated key: one effect, and the first answer byte for byte."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import OperationalError, connection
from django.utils import timezone
from psycopg.errors import DeadlockDetected

from core import db, services
from core.api.idempotency import KEPT
from core.models import IdempotencyRecord
from core.tasks import prune_idempotency
from tests.core import benches as app
from tests.core.benches import Bench, BenchViewSet
from tests.core.conftest import caller
from tests.core.test_db import database_error
from tests.core.test_problems import problem

pytestmark = pytest.mark.urls("tests.core.benches")

URL = "/api/benches/build"


def body(name: str = "oak", **more) -> dict:
    return {"name": name, "stands_since": "2027-03-01T10:00:00+01:00", **more}


def build(client, key: str | None = '"k-1"', name: str = "oak", url: str = URL, **more):
    headers = {} if key is None else {"Idempotency-Key": key}
    return client.post(url, body(name, **more), format="json", headers=headers)


def test_a_repeat_gives_the_first_answer_and_changes_nothing(benches, client):
    first, second = build(client), build(client)
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.content == second.content
    assert first.json()["stands_since"] == "2027-03-01T09:00:00Z"
    for name in ("ETag", "Location", "Content-Type"):
        assert first.headers[name] == second.headers[name]
    assert "Idempotency-Replayed" not in first.headers
    assert second.headers["Idempotency-Replayed"] == "true"
    assert Bench.objects.count() == 1


def test_the_answer_stays_although_the_row_has_changed(benches, client):
    first = build(client)
    Bench.objects.update(name="elm")
    assert build(client).content == first.content


def test_quoted_and_bare_are_the_same_key(benches, client):
    assert build(client, key='"k-1"').content == build(client, key="k-1").content
    assert Bench.objects.count() == 1


def test_members_in_another_order_are_the_same_body(benches, client):
    first = build(client)
    turned = dict(reversed(body().items()))
    second = client.post(URL, turned, format="json", headers={"Idempotency-Key": '"k-1"'})
    assert second.content == first.content


def test_another_body_under_the_key_is_refused(benches, client):
    build(client)
    problem(build(client, name="elm"), 422, "idempotency_key_reused")
    assert Bench.objects.count() == 1


def test_a_key_is_needed_where_a_repeat_would_double(benches, client):
    problem(build(client, key=None), 400, "idempotency_key_missing")
    assert not Bench.objects.exists()


@pytest.mark.parametrize(
    "key", ["", '""', '"open', "x" * 256, f'"{"x" * 256}"', '"a"b"', "schlüssel"]
)
def test_a_malformed_key_is_refused(benches, client, key):
    problem(build(client, key=key), 400, "idempotency_key_malformed")
    assert not Bench.objects.exists()


def test_where_no_key_is_needed_none_is_fine_and_one_is_honoured(benches, client):
    url = "/api/benches"
    assert build(client, key=None, url=url).status_code == 201
    first = build(client, name="elm", url=url)
    assert build(client, name="elm", url=url).content == first.content
    assert Bench.objects.count() == 2


def test_keys_of_two_callers_and_of_two_addresses_are_apart(benches, client):
    assert build(client).status_code == 201
    assert build(caller("bob", chain=2)).status_code == 201
    assert build(client, name="elm", url="/api/benches").status_code == 201
    assert IdempotencyRecord.objects.count() == 3


def test_a_caller_without_the_role_gets_no_stored_answer(benches, client):
    build(client)
    problem(build(caller(may="bench.read")), 403, "forbidden")


@pytest.mark.parametrize(("name", "status"), [("ancient", 422), ("cursed", 422), ("doubtful", 409)])
def test_a_refusal_is_not_stored_and_leaves_nothing(benches, client, name, status):
    assert build(client, name=name).status_code == status
    assert not Bench.objects.exists()
    assert not IdempotencyRecord.objects.exists()
    assert build(client, name="oak").status_code == 201


def test_a_refusal_tells_its_rules(benches, client):
    told = problem(build(client, name="ancient"), 422, "bench_too_old")
    assert told["rules"] == [{"id": "age", "reason": "older than the house"}]


def test_a_deadlock_runs_the_whole_view_again(benches, client, monkeypatch):
    made = app.bench_create

    def unlucky(**values):
        bench = made(**values)
        if len(BenchViewSet.log) < 3:
            raise database_error(DeadlockDetected)
        return bench

    monkeypatch.setattr(app, "bench_create", unlucky)
    assert build(client).status_code == 201
    assert BenchViewSet.log == ["oak"] * 3
    assert (Bench.objects.count(), IdempotencyRecord.objects.count()) == (1, 1)


def test_an_unforeseen_error_stores_nothing(benches, client, monkeypatch):
    def broken(**values):
        raise RuntimeError

    monkeypatch.setattr(app, "bench_create", broken)
    problem(build(client), 500, "internal_error")
    assert not IdempotencyRecord.objects.exists()


class TestRaces:
    def test_many_at_once_have_one_effect_and_one_answer(self, committed_benches):
        start = threading.Barrier(8)

        def send(_):
            start.wait(10)
            try:
                return build(caller())
            finally:
                connection.close()

        with ThreadPoolExecutor(8) as pool:
            answers = list(pool.map(send, range(8)))
        assert {answer.status_code for answer in answers} == {201}
        assert len({answer.content for answer in answers}) == 1
        replayed = [answer.headers.get("Idempotency-Replayed") for answer in answers]
        assert sorted(replayed, key=str) == [None] + ["true"] * 7
        assert Bench.objects.count() == 1

    def test_control_without_a_key_each_one_is_an_effect_of_its_own(self, committed_benches):
        def send(number):
            try:
                return build(caller(), key=None, name=f"oak {number}", url="/api/benches")
            finally:
                connection.close()

        with ThreadPoolExecutor(4) as pool:
            assert {a.status_code for a in pool.map(send, range(4))} == {201}
        assert Bench.objects.count() == 4

    def test_a_second_request_while_the_first_runs_is_told_so(self, committed_benches, monkeypatch):
        monkeypatch.setattr(db, "LOCK_WAIT_SECONDS", 0.1)
        entered, leave = threading.Event(), threading.Event()
        made = app.bench_create

        def slow(**values):
            bench = made(**values)
            entered.set()
            leave.wait(10)
            return bench

        monkeypatch.setattr(app, "bench_create", slow)

        def first():
            try:
                return build(caller())
            finally:
                connection.close()

        with ThreadPoolExecutor(1) as pool:
            running = pool.submit(first)
            assert entered.wait(10)
            told = build(caller())
            leave.set()
            assert running.result(10).status_code == 201
        problem(told, 409, "idempotency_in_progress")
        assert build(caller()).content == running.result().content


class TestPruning:
    @pytest.fixture
    def old(self, benches, client):
        build(client)
        build(client, key='"k-2"', name="elm")
        last = IdempotencyRecord.objects.get(key="k-1")
        last.expires_at = timezone.now() - timedelta(seconds=1)
        last.save()

    def test_keeps_seven_days(self, benches, client):
        build(client)
        record = IdempotencyRecord.objects.get()
        kept = record.expires_at - record.created_at
        assert abs(kept - timedelta(days=7)) < timedelta(minutes=1)

    def test_forgets_what_is_older_and_nothing_else(self, old):
        assert services.idempotency_prune(now=timezone.now()) == 1
        assert IdempotencyRecord.objects.get().key == "k-2"

    def test_goes_on_batch_by_batch(self, old, monkeypatch):
        monkeypatch.setattr(services, "BATCH", 1)
        assert services.idempotency_prune(now=timezone.now() + KEPT) == 2

    def test_as_a_command_and_as_a_task(self, old):
        said = StringIO()
        call_command("prune_idempotency", stdout=said)
        assert said.getvalue() == "1 forgotten\n"
        assert prune_idempotency() == 0


def test_the_database_going_away_is_told_and_nothing_is_stored(benches, client, monkeypatch):
    def away(**values):
        raise OperationalError

    monkeypatch.setattr(app, "bench_create", away)
    problem(build(client), 503, "database_unavailable")
    assert not IdempotencyRecord.objects.exists()
