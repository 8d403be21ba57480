"""Statements of the busiest reads, written once and planned once for each connection.

Building and compiling a query of the same shape for every request can cost more than running
it. A prepared statement is sent by name; its values travel in binary.
"""

from typing import Any, Final

from django.db import connection
from django.db.backends.postgresql.base import ServerBindingCursor

# The stubs know neither the cursor that Django wraps nor how it does.
_Cursor: Any = ServerBindingCursor
_database: Final[Any] = connection


class _PreparedCursor(_Cursor):  # type: ignore[misc]
    """Prepares at the first use, unless a pooler stands between, which hides connections."""

    def execute(self, query: Any, params: Any = None) -> Any:
        pooled = _database.settings_dict["DISABLE_SERVER_SIDE_CURSORS"]
        usual = self.connection.prepare_threshold
        # Django keeps it at None, with which psycopg prepares nothing, asked to or not.
        self.connection.prepare_threshold = None if pooled else 0
        try:
            return super().execute(query, params, prepare=not pooled, binary=True)
        finally:
            self.connection.prepare_threshold = usual

    def _send_query_prepared(self, name: Any, pgq: Any, **options: Any) -> None:
        # Where Django looks for the text of what it ran.
        self._query = pgq
        super()._send_query_prepared(name, pgq, **options)


class Prepared:
    """One statement with named parameters (`%(name)s`), each cast to its type in the text.

    Counts and shows as any other query of Django's connection, and raises its errors.
    """

    def __init__(self, sql: str) -> None:
        self.sql = sql

    def rows(self, **values: Any) -> list[tuple[Any, ...]]:
        """All rows, for values such as numbers, texts, dates, aware instants and lists of these."""
        with _cursor() as cursor:
            cursor.execute(self.sql, values)
            rows: list[tuple[Any, ...]] = cursor.fetchall()
        return rows


def _cursor() -> Any:
    _database.ensure_connection()
    with _database.wrap_database_errors:
        cursor = _PreparedCursor(_database.connection)
    # As Django wraps its own cursors: counted, shown, with its errors.
    return _database._prepare_cursor(cursor)  # noqa: SLF001
