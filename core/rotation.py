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
from core.secrets_at_rest import decrypt, encrypt, is_current, renewed

BATCH: Final = 500


@dataclass(frozen=True, slots=True)
class SealedColumn:
    """A column `address_sealed` of a table, with its index and the plain one of before, if any.

    `realm` is SQL over `row` for the realm of the blind index; empty for a column without one.
    """

    table: str
    sealed: str
    plain: str = ""
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
def column_renew_batch(
    *, column: SealedColumn, after: int = 0, keep_plain: bool = False, batch: int = BATCH
) -> Renewed:
    """Write a batch of rows anew where they are not under the first keys.

    What still stands in plain is encrypted, and forgotten unless `keep_plain` (while processes
    with the code of before read it). Raises InvalidToken for what none of the keys has made.
    """
    with rewriting(), connection.cursor() as cursor:
        cursor.execute(
            f"SELECT row.id, row.{column.sealed}, {_or_empty(column.plain)}, "
            f"{_or_empty(column.index)}, {column.realm or 0} FROM {column.table} AS row "
            "WHERE row.id > %s ORDER BY row.id LIMIT %s FOR UPDATE OF row",
            [after, batch],
        )
        rows = cursor.fetchall()
        changed = [
            new for row in rows if (new := _anew(*row, column=column, keep_plain=keep_plain))
        ]
        if changed:
            _write(cursor, column, changed, keep_plain=keep_plain)
    last = rows[-1][0] if len(rows) == batch else None
    return Renewed(seen=len(rows), written=len(changed), last=last)


def _or_empty(name: str) -> str:
    return f"row.{name}" if name else "''"


def _anew(
    key: int,
    sealed: str,
    plain: str,
    index: str,
    realm: int,
    *,
    column: SealedColumn,
    keep_plain: bool,
) -> tuple[int, str, str] | None:
    """Key, ciphertext and index of a row that has to be written; None for one that is right."""
    text = plain or (decrypt(sealed) if sealed else "")
    current = bool(sealed) and is_current(sealed) and (not plain or decrypt(sealed) == plain)
    if current:
        new_sealed = sealed
    elif plain:
        new_sealed = encrypt(plain)
    else:
        new_sealed = renewed(sealed) if sealed else ""
    new_index = blind_index(text, realm=realm) if column.index and text else index
    if (new_sealed, new_index) == (sealed, index) and (keep_plain or not plain):
        return None
    return key, new_sealed, new_index


def _write(
    cursor: Any,
    column: SealedColumn,
    changed: list[tuple[int, str, str]],
    *,
    keep_plain: bool,
) -> None:
    keys, sealed, indexes = (list(values) for values in zip(*changed, strict=True))
    sets = [f"{column.sealed} = new.sealed"]
    if column.index:
        sets.append(f"{column.index} = new.index")
    if column.plain and not keep_plain:
        sets.append(f"{column.plain} = ''")
    cursor.execute(
        f"UPDATE {column.table} AS row SET {', '.join(sets)} "
        "FROM unnest(%s::bigint[], %s::text[], %s::text[]) AS new (id, sealed, index) "
        "WHERE row.id = new.id",
        [keys, sealed, indexes],
    )
