"""Many rows at once, and keys that are known before their rows are."""

from collections.abc import Iterable, Sequence
from typing import Any, TypeVar

from django.db import connection, models

from core.db import step

M = TypeVar("M", bound=models.Model)
BATCH = 1000


@step
def insert(rows: Iterable[M]) -> Sequence[M]:
    """Insert rows of one model; their keys are set. Constraints and triggers of the table hold."""
    listed = list(rows)
    if listed:
        model: Any = type(listed[0])
        model.objects.bulk_create(listed, batch_size=BATCH)
    return listed


@step
def link(through: Any, pairs: Iterable[tuple[int, int]], *, fields: tuple[str, str]) -> None:
    """Insert rows of a many-to-many table, `fields` being its two columns."""
    left, right = fields
    through.objects.bulk_create(
        [through(**{left: one, right: other}) for one, other in pairs], batch_size=BATCH
    )


@step
def keys_ahead(model: type[models.Model], count: int) -> list[int]:
    """So many keys of a table, taken from its sequence before the rows are inserted."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)",
            [model._meta.db_table, count],  # noqa: SLF001 - public by its documentation
        )
        return [key for (key,) in cursor.fetchall()]
