"""Statements that are planned once: they read, count and fail as any other query does."""

import pytest
from django.db import DataError, connection, transaction

from core.prepared import Prepared

DOUBLE = Prepared("SELECT 2 * %(number)s::bigint,\n  'a''b' AS text")


def test_gives_rows_for_named_values(db):
    assert DOUBLE.rows(number=21) == [(42, "a'b")]
    assert DOUBLE.rows(number=2**40) == [(2**41, "a'b")]


def test_lists_bytes_dates_and_json_come_as_themselves(db):
    mixed = Prepared(
        "SELECT %(ids)s::bigint[], '\\x01ff'::bytea, json_build_array(1.5, NULL), 0.5::float8"
    )
    assert mixed.rows(ids=[1, 2, 3]) == [([1, 2, 3], b"\x01\xff", [1.5, None], 0.5)]
    assert mixed.rows(ids=[])[0][0] == []


def test_is_prepared_once_for_a_connection(db):
    named = Prepared("SELECT 'prepared once', %(number)s::bigint")
    for number in range(3):
        named.rows(number=number)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT generic_plans + custom_plans FROM pg_prepared_statements"
            " WHERE statement LIKE 'SELECT ''prepared once''%'"
        )
        assert cursor.fetchall() == [(3,)]


def test_is_not_prepared_behind_a_pooler(db, monkeypatch):
    monkeypatch.setitem(connection.settings_dict, "DISABLE_SERVER_SIDE_CURSORS", True)
    hidden = Prepared("SELECT 'not prepared', %(number)s::bigint")
    assert hidden.rows(number=1) == [("not prepared", 1)]
    with connection.cursor() as cursor:
        cursor.execute("SELECT statement FROM pg_prepared_statements")
        assert not [text for (text,) in cursor.fetchall() if "not prepared" in text]


def test_is_counted_and_shown_as_a_query(db, django_assert_num_queries):
    with django_assert_num_queries(2) as seen:
        DOUBLE.rows(number=1)
        DOUBLE.rows(number=2)
    assert {query["sql"][:8] for query in seen.captured_queries} == {"SELECT 2"}


def test_fails_as_any_other_query(db):
    with pytest.raises(DataError), transaction.atomic():
        Prepared("SELECT 1 / %(number)s::bigint").rows(number=0)
    assert DOUBLE.rows(number=1)
