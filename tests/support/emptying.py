"""Emptying the test database between tests that commit.

The database refuses TRUNCATE of tables that only grow, and that is as it should be: only here,
for the moment of the flush, their triggers are off. Needs no more than owning the tables.
"""

from typing import Any

from django.db import connection, transaction
from django.db.backends.postgresql.operations import DatabaseOperations

GROWING_TABLES = """
    SELECT DISTINCT tgrelid::regclass::text FROM pg_trigger
    WHERE tgfoid = 'refuse_change'::regproc AND NOT tgisinternal
"""


def flush_growing_tables_too(patch: Any) -> None:
    """Let Django's flush empty the tables that only grow; `patch` is a pytest MonkeyPatch."""
    patch.setattr(DatabaseOperations, "execute_sql_flush", _execute)


def _execute(operations: DatabaseOperations, statements: list[str]) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(GROWING_TABLES)
        tables = [table for (table,) in cursor.fetchall()]
        for table in tables:
            cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
        for statement in statements:
            cursor.execute(statement)
        for table in tables:
            cursor.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")
