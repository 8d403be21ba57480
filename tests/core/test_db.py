"""One transaction per command: joined, retried, refused in words of the domain."""

import threading
from datetime import UTC, datetime

import psycopg
import pytest
from django.db import IntegrityError, OperationalError, connection, transaction
from django.test.utils import CaptureQueriesContext

from core import db
from core.db import as_range, command, constraint_as, from_range, lock_rows, step, unit
from core.errors import Busy
from core.spans import Span
from tests.core.benches import Bench, NameTaken, bench_create, bench_rename

NOW = datetime(2027, 3, 1, 9, tzinfo=UTC)


@step
def put(name: str) -> None:
    Bench.objects.create(name=name, stands_since=NOW)


@command
def put_two(first: str, second: str) -> None:
    put(first)
    bench_create(name=second, stands_since=NOW)


def names() -> set[str]:
    return set(Bench.objects.values_list("name", flat=True))


def both(first, second) -> list[BaseException]:
    """Run two functions at once, each on a connection of its own; what they raised."""
    raised: list[BaseException] = []

    def run(work):
        try:
            work()
        except BaseException as error:  # noqa: BLE001
            raised.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(work,)) for work in (first, second)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    return raised


def database_error(cause: type[psycopg.Error]) -> OperationalError:
    error = OperationalError()
    error.__cause__ = cause()
    return error


class TestUnit:
    def test_a_command_inside_another_joins_it(self, benches):
        put_two("oak", "elm")
        assert names() == {"oak", "elm"}

    def test_a_refusal_of_the_inner_command_undoes_the_outer(self, committed_benches):
        bench_create(name="elm", stands_since=NOW)
        with pytest.raises(NameTaken):
            put_two("oak", "elm")
        assert names() == {"elm"}

    def test_the_same_under_a_test_that_rolls_back(self, benches):
        bench_create(name="elm", stands_since=NOW)
        with pytest.raises(NameTaken):
            put_two("oak", "elm")
        assert names() == {"elm"}

    def test_refuses_to_run_inside_a_bare_transaction(self, committed_benches):
        with transaction.atomic(), pytest.raises(RuntimeError):
            bench_create(name="oak", stands_since=NOW)
        assert names() == set()

    def test_a_step_outside_of_a_command_is_refused(self, committed_benches):
        with pytest.raises(RuntimeError, match="put runs inside a command only"):
            put("oak")

    def test_waits_three_seconds_for_locks_and_only_inside(self, committed_benches):
        def setting() -> str:
            with connection.cursor() as cursor:
                cursor.execute("SHOW lock_timeout")
                return cursor.fetchone()[0]

        before = setting()
        assert unit(setting) == "3s"
        assert setting() == before

    @pytest.mark.parametrize(
        "cause", [psycopg.errors.DeadlockDetected, psycopg.errors.SerializationFailure]
    )
    def test_gives_up_after_three_retries(self, benches, cause):
        runs = []

        def work():
            runs.append(1)
            raise database_error(cause)

        with pytest.raises(Busy):
            unit(work)
        assert len(runs) == 4

    def test_a_joined_command_does_not_retry_by_itself(self, benches):
        inner, outer = [], []

        @command
        def fails():
            inner.append(1)
            if len(inner) < 3:
                raise database_error(psycopg.errors.DeadlockDetected)

        @command
        def whole():
            outer.append(1)
            fails()

        whole()
        assert (len(inner), len(outer)) == (3, 3)

    def test_an_error_that_is_no_contention_is_not_retried(self, benches):
        runs = []

        def work():
            runs.append(1)
            raise database_error(psycopg.errors.AdminShutdown)

        with pytest.raises(OperationalError):
            unit(work)
        assert len(runs) == 1


class TestContention:
    def test_a_real_deadlock_is_retried_until_both_are_done(self, committed_benches):
        oak = bench_create(name="oak", stands_since=NOW).pk
        elm = bench_create(name="elm", stands_since=NOW).pk
        met = threading.Barrier(2)
        runs = []

        def cross(first: int, second: int):
            def work():
                runs.append(first)
                lock_rows(Bench.objects.filter(pk=first))
                if len(runs) <= 2:
                    met.wait(10)
                [bench] = lock_rows(Bench.objects.filter(pk=second))
                bench.touch()

            return lambda: unit(work)

        assert both(cross(oak, elm), cross(elm, oak)) == []
        assert len(runs) >= 3, "without a deadlock this test shows nothing"
        assert list(Bench.objects.values_list("version", flat=True)) == [2, 2]

    def test_sorted_locks_in_one_call_never_deadlock(self, committed_benches):
        keys = [bench_create(name=name, stands_since=NOW).pk for name in "abcd"]
        runs = []

        def turns(order):
            def work():
                runs.append(1)
                for bench in lock_rows(Bench.objects.filter(pk__in=order).order_by("-name")):
                    bench.touch()

            return lambda: [unit(work) for _ in range(25)]

        assert both(turns(keys), turns(keys[::-1])) == []
        assert len(runs) == 50
        assert set(Bench.objects.values_list("version", flat=True)) == {51}

    def test_a_real_serialization_failure_is_retried(self, committed_benches):
        oak = bench_create(name="oak", stands_since=NOW).pk
        runs = []

        def meanwhile():
            bench_rename(pk=oak, name="ash", expected=None)
            connection.close()

        def work():
            runs.append(1)
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
            bench = Bench.objects.get(pk=oak)
            if len(runs) == 1:
                other = threading.Thread(target=meanwhile)
                other.start()
                other.join(10)
            bench.save()

        unit(work)
        assert len(runs) == 2
        assert Bench.objects.get(pk=oak).version == 3

    def test_a_lock_that_does_not_come_is_busy_and_not_retried(
        self, committed_benches, monkeypatch
    ):
        monkeypatch.setattr(db, "LOCK_WAIT_SECONDS", 0.1)
        oak = bench_create(name="oak", stands_since=NOW).pk
        held, done = threading.Event(), threading.Event()

        def holder():
            def work():
                lock_rows(Bench.objects.filter(pk=oak))
                held.set()
                done.wait(10)

            unit(work)

        def waiter():
            held.wait(10)
            try:
                bench_rename(pk=oak, name="ash", expected=None)
            finally:
                done.set()

        [raised] = both(holder, waiter)
        assert isinstance(raised, Busy)
        assert names() == {"oak"}


class TestLockRows:
    def test_locks_in_key_order_whatever_the_queryset_says(self, benches):
        for name in ("oak", "elm", "ash"):
            bench_create(name=name, stands_since=NOW)
        with CaptureQueriesContext(
            connection,
        ) as told:
            rows = unit(lambda: lock_rows(Bench.objects.order_by("name")))
        assert [row.pk for row in rows] == sorted(row.pk for row in rows)
        [lock] = [q["sql"] for q in told if "FOR NO KEY UPDATE" in q["sql"]]
        assert 'ORDER BY "benches_bench"."id"' in lock
        assert 'FOR NO KEY UPDATE OF "benches_bench"' in lock

    def test_needs_a_transaction(self, committed_benches):
        with pytest.raises(RuntimeError):
            lock_rows(Bench.objects.all())


class TestConstraintAs:
    def test_a_named_constraint_becomes_the_refusal(self, benches):
        bench_create(name="oak", stands_since=NOW)
        with pytest.raises(NameTaken) as raised:
            bench_create(name="oak", stands_since=NOW)
        assert raised.value.data == {"name": "oak"}
        assert isinstance(raised.value.__cause__, IntegrityError)

    def test_a_function_is_called_only_when_it_happens(self, benches):
        called = []

        def refusal():
            called.append(1)
            return NameTaken()

        def write():
            with constraint_as(bench_name_once=refusal):
                put("oak")

        unit(write)
        assert not called
        with pytest.raises(NameTaken):
            unit(write)
        assert called

    def test_another_constraint_passes(self, benches):
        with pytest.raises(IntegrityError, match="bench_not_cursed"):
            bench_create(name="cursed", stands_since=NOW)


class TestRanges:
    def test_goes_there_and_back(self):
        span = Span(NOW, NOW.replace(hour=10))
        stored = as_range(span)
        assert (stored.lower_inc, stored.upper_inc) == (True, False)
        assert from_range(stored) == span

    def test_an_open_end_needs_a_stand_in(self):
        value = as_range(Span(NOW, NOW.replace(hour=10))).__class__(NOW, None)
        assert from_range(value, open_until=NOW.replace(hour=11)).end.hour == 11
        with pytest.raises(ValueError, match="bounded"):
            from_range(value)
