"""Everything that is encrypted comes under the first keys."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from clinics.services.key_rotation import second_factors_renew
from core.rotation import SealedColumn, column_renew_batch

COLUMNS: Final = (
    SealedColumn(
        table="courses_contactpoint",
        sealed="address_sealed",
        index="address_index",
        realm="(SELECT chain_id FROM courses_patient WHERE id = row.patient_id)",
    ),
    SealedColumn(table="courses_consent", sealed="address_sealed"),
)


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
