"""Everything that is encrypted comes under the first keys; what stood in plain is forgotten."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from django.db import connection

from clinics.services.key_rotation import second_factors_renew
from core.db import command
from core.rotation import SealedColumn, column_renew_batch, rewriting

COLUMNS: Final = (
    SealedColumn(
        table="courses_contactpoint",
        sealed="address_sealed",
        plain="address",
        index="address_index",
        realm="(SELECT chain_id FROM courses_patient WHERE id = row.patient_id)",
    ),
    SealedColumn(table="courses_consent", sealed="address_sealed", plain="address"),
)
HISTORY_BATCH: Final = 20_000

# Before addresses were encrypted, the history kept them as it keeps any other column.
FORGET: Final = """
    UPDATE clinics_change SET
        before = CASE WHEN before ? 'address' THEN before || '{"address": "hidden"}' END,
        after = CASE WHEN after ? 'address' THEN after || '{"address": "hidden"}' END
    WHERE id > %s AND id <= %s AND record IN ('contactpoint', 'consent')
    AND (before ->> 'address' NOT IN ('', 'hidden') OR after ->> 'address' NOT IN ('', 'hidden'))
"""


@dataclass(frozen=True, slots=True)
class Rotated:
    """What was written anew of one kind."""

    what: str
    seen: int
    written: int


def keys_rotate() -> Iterator[Rotated]:
    """Write anew what is under older keys, each batch in a unit of its own; safe to run twice.

    Not a command. Others may go on writing: what they write meanwhile is under the first keys if
    they were started with them.
    """
    for column in COLUMNS:
        seen = written = 0
        after: int | None = 0
        while after is not None:
            done = column_renew_batch(column=column, after=after)
            seen, written, after = seen + done.seen, written + done.written, done.last
        yield Rotated(column.table, seen, written)
    renewed = second_factors_renew()
    yield Rotated("second factors", renewed, renewed)
    last = _newest_change()
    seen = written = 0
    for after in range(0, last, HISTORY_BATCH):
        written += history_forget_addresses(after=after, until=min(after + HISTORY_BATCH, last))
    yield Rotated("addresses in the history", last, written)


@command
def history_forget_addresses(*, after: int, until: int) -> int:
    """Hide the addresses that the history kept in plain; how many rows had one."""
    with rewriting(), connection.cursor() as cursor:
        cursor.execute(FORGET, [after, until])
        return int(cursor.rowcount)


def _newest_change() -> int:
    with connection.cursor() as cursor:
        cursor.execute("SELECT coalesce(max(id), 0) FROM clinics_change")
        return int(cursor.fetchone()[0])
