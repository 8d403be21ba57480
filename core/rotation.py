"""What is encrypted is written anew under the first keys, a batch at a time, beside other writers.

A batch locks its rows, so that nobody's change in between is lost; a second run finds nothing to
do. Rows that only grow may be written by the owner of the tables who says `fallow.erasing`, see
the kernel's migrations; another role is refused.
"""

# ruff: noqa: S608 - the names of tables and columns come from the code

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

from django.db import connection

from core.db import command
from core.encryption import blind_index
from core.secrets_at_rest import decrypt, is_current, renewed

BATCH: Final = 500


@dataclass(frozen=True, slots=True)
class SealedColumn:
    """A column `address_sealed` of a table, with its index, if any.

    `realm` is SQL over `row` for the realm of the blind index; empty for a column without one.
    """

    table: str
    sealed: str
    index: str = ""
    realm: str = ""


@dataclass(frozen=True, slots=True)
class Renewed:
    """How many rows were looked at and written, and after which key to go on; None: the end."""

    seen: int
    written: int
    last: int | None


@contextmanager
def rewriting() -> Iterator[None]:
    """Inside, the owner of the tables may write over rows that only grow: for secrecy, never else.

    Within a unit; another role that says so is refused all the same.
    """
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL fallow.erasing = 'on'")
        yield
        cursor.execute("SET LOCAL fallow.erasing = 'off'")


@contextmanager
def forgetting() -> Iterator[None]:
    """Inside, the owner of the tables may delete what a policy keeps no longer, and never else.

    Only where a table's trigger allows that (`forgotten`); within a unit, as for `rewriting`.
    """
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL fallow.forgetting = 'on'")
        yield
        cursor.execute("SET LOCAL fallow.forgetting = 'off'")


@command
def column_renew_batch(*, column: SealedColumn, after: int = 0, batch: int = BATCH) -> Renewed:
    """Write a batch of rows anew where they are not under the first keys.

    Raises InvalidToken for what none of the keys has made.
    """
    index = f"row.{column.index}" if column.index else "''"
    with rewriting(), connection.cursor() as cursor:
        cursor.execute(
            f"SELECT row.id, row.{column.sealed}, {index}, {column.realm or 0} "
            f"FROM {column.table} AS row "
            "WHERE row.id > %s ORDER BY row.id LIMIT %s FOR UPDATE OF row",
            [after, batch],
        )
        rows = cursor.fetchall()
        changed = [new for row in rows if (new := _anew(*row, indexed=bool(column.index)))]
        if changed:
            _write(cursor, column, changed)
    last = rows[-1][0] if len(rows) == batch else None
    return Renewed(seen=len(rows), written=len(changed), last=last)


def _anew(
    key: int, sealed: str, index: str, realm: int, *, indexed: bool
) -> tuple[int, str, str] | None:
    """Key, ciphertext and index of a row that has to be written; None for one that is right."""
    if not sealed:
        return None
    new_sealed = sealed if is_current(sealed) else renewed(sealed)
    new_index = blind_index(decrypt(sealed), realm=realm) if indexed else index
    return None if (new_sealed, new_index) == (sealed, index) else (key, new_sealed, new_index)


def _write(cursor: Any, column: SealedColumn, changed: list[tuple[int, str, str]]) -> None:
    keys, sealed, indexes = (list(values) for values in zip(*changed, strict=True))
    sets = [f"{column.sealed} = new.sealed"]
    if column.index:
        sets.append(f"{column.index} = new.index")
    cursor.execute(
        f"UPDATE {column.table} AS row SET {', '.join(sets)} "
        "FROM unnest(%s::bigint[], %s::text[], %s::text[]) AS new (id, sealed, index) "
        "WHERE row.id = new.id",
        [keys, sealed, indexes],
    )
