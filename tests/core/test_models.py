"""Rows with a version lose no update; rows of a ledger change by no road."""

from datetime import UTC, datetime

import pytest
from django.db import IntegrityError, connection, transaction

from core.db import lock_rows
from core.errors import Stale
from tests.core.benches import Bench, Entry

NOW = datetime(2027, 3, 1, 9, tzinfo=UTC)


@pytest.fixture
def bench(benches) -> Bench:
    return Bench.objects.create(name="oak", stands_since=NOW)


class TestVersioned:
    def test_each_save_grows_the_version(self, bench):
        assert bench.version == 1
        bench.save()
        bench.save(update_fields=["name"])
        assert (bench.version, Bench.objects.get().version) == (3, 3)

    def test_a_save_of_some_fields_moves_the_time_of_change_too(self, bench):
        before = bench.updated_at
        bench.save(update_fields=["name"])
        assert Bench.objects.get().updated_at > before

    def test_touch_grows_the_version_and_nothing_else(self, bench):
        bench.name = "not to be written"
        bench.touch()
        assert (Bench.objects.get().version, Bench.objects.get().name) == (2, "oak")

    def test_a_save_over_a_newer_version_is_refused_and_loses_nothing(self, bench):
        other = Bench.objects.get()
        other.name = "elm"
        other.save()
        bench.note = "mine"
        with pytest.raises(Stale) as raised, transaction.atomic():
            bench.save()
        assert raised.value.data == {"read_version": 1}
        assert (Bench.objects.get().name, Bench.objects.get().note) == ("elm", None)

    def test_a_save_of_a_removed_row_is_refused_and_brings_it_not_back(self, bench):
        Bench.objects.all().delete()
        with pytest.raises(Stale), transaction.atomic():
            bench.save()
        assert not Bench.objects.exists()

    def test_a_new_row_with_a_chosen_key_is_written(self, benches):
        Bench(pk=77, name="oak", stands_since=NOW).save()
        assert Bench.objects.get(pk=77).version == 1

    def test_a_locked_row_that_is_as_it_was_is_not_written(self, bench):
        [locked] = lock_rows(Bench.objects.all())
        locked.name = "oak"
        locked.save()
        locked.save(update_fields=["name"])
        assert (locked.version, Bench.objects.get().updated_at) == (1, bench.updated_at)

    def test_a_locked_row_that_changed_is_written_each_time(self, bench):
        [locked] = lock_rows(Bench.objects.all())
        for number, name in ((2, "elm"), (3, "oak")):
            locked.name = name
            locked.save()
            found = Bench.objects.get()
            assert (found.version, found.name) == (number, name)
        locked.save()
        assert Bench.objects.get().version == 3

    def test_a_value_that_was_changed_in_place_is_written(self, bench):
        [locked] = lock_rows(Bench.objects.all())
        locked.note = ["in place"]
        locked.note_as_locked()
        locked.note.append("more")
        locked.save()
        assert (Bench.objects.get().version, len(locked.note)) == (2, 2)

    def test_what_a_save_of_some_fields_left_out_is_written_by_the_next(self, bench):
        [locked] = lock_rows(Bench.objects.all())
        locked.name, locked.note = "elm", "mine"
        locked.save(update_fields=["name"])
        locked.save()
        assert Bench.objects.get().note == "mine"

    def test_what_hangs_on_a_locked_row_makes_it_another(self, bench):
        [locked] = lock_rows(Bench.objects.all())
        locked.note_change()
        locked.save()
        locked.touch()
        assert Bench.objects.get().version == 3

    @pytest.mark.parametrize("expected", [None, 1])
    def test_the_expected_version_passes(self, bench, expected):
        bench.check_version(expected)

    def test_another_version_is_stale(self, bench):
        with pytest.raises(Stale) as raised:
            bench.check_version(2)
        assert raised.value.data == {"current_version": 1}


class TestAppendOnly:
    @pytest.fixture
    def entry(self, benches) -> Entry:
        return Entry.objects.create(amount=5)

    @pytest.mark.parametrize(
        "sql",
        [
            "UPDATE benches_entry SET amount = 6",
            "DELETE FROM benches_entry",
            "TRUNCATE benches_entry",
            "TRUNCATE benches_entry CASCADE",
            """INSERT INTO benches_entry (id, amount) SELECT id, 9 FROM benches_entry
            ON CONFLICT (id) DO UPDATE SET amount = excluded.amount""",
        ],
    )
    def test_raw_sql_cannot_change_it(self, entry, sql):
        with (
            pytest.raises(IntegrityError, match="benches_entry only grows"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(sql)
        assert list(Entry.objects.values_list("amount", flat=True)) == [5]

    @pytest.mark.parametrize(
        "change",
        [
            lambda entry: entry.save(),
            lambda entry: entry.delete(),
            lambda _: Entry.objects.update(amount=6),
            lambda entry: Entry.objects.bulk_update([entry], ["amount"]),
            lambda _: Entry.objects.all().delete(),
        ],
    )
    def test_the_model_cannot_change_it(self, entry, change):
        entry.amount = 6
        with pytest.raises(IntegrityError, match="only grows"), transaction.atomic():
            change(entry)
        assert list(Entry.objects.values_list("amount", flat=True)) == [5]

    def test_it_grows(self, entry):
        Entry.objects.bulk_create([Entry(amount=1), Entry(amount=-1)])
        assert Entry.objects.count() == 3
