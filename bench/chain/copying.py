"""Rows streamed with COPY; what a caller does not give gets the model's default."""

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

import psycopg
from django.db import models
from psycopg import sql


class Sheets:
    """Open to one database; `sheet` gives a writer for a model's table, `rows` counts them."""

    def __init__(self, connection: psycopg.Connection, *, written_at: datetime) -> None:
        self.connection = connection
        self.written_at = written_at
        self.rows: Counter[str] = Counter()
        self._layouts: dict[tuple[type[models.Model], tuple[str, ...]], tuple[str, str]] = {}

    def copy(self, model: type[models.Model], fields: Sequence[str], rows: Iterable[Any]) -> None:
        """Copy tuples with the values of `fields` (column names) into the model's table."""
        statement, rest = self._layout(model, tuple(fields))
        lines = ["\t".join(map(text, row)) + rest for row in rows]
        if not lines:
            return
        with self.connection.cursor() as cursor, cursor.copy(statement) as copy:
            for first in range(0, len(lines), 5000):
                copy.write("".join(lines[first : first + 5000]))
        self.rows[table_of(model)] += len(lines)

    def set_sequences(self) -> None:
        """Let ids made by the database follow those copied."""
        for table in self.rows:
            self.connection.execute(
                sql.SQL("SELECT setval(pg_get_serial_sequence(%s, 'id'), max(id)) FROM {}").format(
                    sql.Identifier(table)
                ),
                [table],
            )

    def _layout(self, model: type[models.Model], fields: tuple[str, ...]) -> tuple[str, str]:
        key = model, fields
        if key not in self._layouts:
            others = [
                field
                for field in fields_of(model)
                if field.column not in fields
                and field.column != "id"
                and not field.has_db_default()
            ]
            columns = ", ".join([*fields, *(field.column for field in others)])
            rest = "".join(f"\t{text(self._default(field))}" for field in others) + "\n"
            statement = f"COPY {table_of(model)} ({columns}) FROM STDIN"
            self._layouts[key] = statement, rest
        return self._layouts[key]

    def _default(self, field: models.Field) -> Any:
        if getattr(field, "auto_now", False) or getattr(field, "auto_now_add", False):
            return self.written_at
        value = field.get_default()
        return json.dumps(value) if isinstance(field, models.JSONField) else value


def table_of(model: type[models.Model]) -> str:
    return model._meta.db_table  # noqa: SLF001


def fields_of(model: type[models.Model]) -> tuple[models.Field, ...]:
    return tuple(one for one in model._meta.concrete_fields if not one.generated)  # noqa: SLF001


def text(value: Any) -> str:
    """A value in the text format of COPY. Texts are taken as they are: no tabs, no backslashes."""
    if isinstance(value, str):
        return value
    if value is None:
        return r"\N"
    if isinstance(value, bool):
        return "t" if value else "f"
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "{" + ",".join(map(str, value)) + "}"
    return str(value)
