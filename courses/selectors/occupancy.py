"""Rows of free time for resources, from the occupancy that is kept beside the reservations.

What is read here may be stale by the time it is used: it finds slots, and never books one.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from core.prepared import Prepared
from core.spans import Span
from courses.slots import CELLS_PER_DAY, GRAIN_MINUTES, FreeRow, Grid

DAY_BYTES = CELLS_PER_DAY // 8
CELL_SECONDS = GRAIN_MINUTES * 60
# A stored byte has its first cell highest and busy cells set; a row of the search neither.
TO_FREE = bytes(255 - int(f"{byte:08b}"[::-1], 2) for byte in range(256))

# Firm reservations as bits of days; holds that have not expired, and all of patients, as spans.
BUSY = Prepared("""
    SELECT resource_id, day - %(first)s::date, bits, NULL::float8, NULL::float8
    FROM clinics_occupancy
    WHERE resource_id = ANY (%(resources)s::bigint[])
    AND day >= %(first)s::date AND day <= %(last)s::date
    UNION ALL
    SELECT resource_id, NULL, NULL,
        date_part('epoch', lower(period)), date_part('epoch', upper(period))
    FROM clinics_reservation
    WHERE status = 'busy-tentative' AND expires_at > %(now)s::timestamptz
    AND resource_id = ANY (%(resources)s::bigint[])
    AND period && tstzrange(%(start)s::timestamptz, %(end)s::timestamptz)
    UNION ALL
    SELECT resource_id, NULL, NULL,
        date_part('epoch', lower(period)), date_part('epoch', upper(period))
    FROM clinics_reservation_touching(
        %(patients)s::bigint[], %(start)s::timestamptz, %(end)s::timestamptz
    )
    WHERE status <> 'busy-tentative' OR expires_at > %(now)s::timestamptz
""")

Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class FreeTime:
    """Rows of free time by resource; when patients are busy, sorted, by resource."""

    rows: dict[int, FreeRow]
    busy: dict[int, list[Span]]


def free_time(
    resource_ids: Collection[int],
    *,
    patient_resource_ids: Iterable[int | None] = (),
    grid: Grid,
    now: datetime,
) -> FreeTime:
    """When resources are free on the grid, as it counts at `now`. One query.

    Every id asked for has a row; every patient has a list.
    """
    position = {pk: number for number, pk in enumerate(resource_ids)}
    busy: dict[int, list[Span]] = {pk: [] for pk in patient_resource_ids if pk is not None}
    bits: list[tuple[int, int, bytes]] = []
    held: list[tuple[int, float, float]] = []
    for pk, day, row, start, end in BUSY.rows(
        resources=list(position),
        patients=list(busy),
        first=grid.start.date(),
        last=_last_day(grid),
        start=grid.start,
        end=grid.end,
        now=now,
    ):
        if row is not None:
            bits.append((position[pk], day, row))
        elif pk in busy:
            busy[pk].append(Span(_instant(start), _instant(end)))
        else:
            held.append((position[pk], start, end))
    for spans in busy.values():
        spans.sort()
    packed = _packed(_by_day(bits, resources=len(position), grid=grid), grid)
    for number, start, end in held:
        _take(packed, number, start=start, end=end, grid=grid)
    rows, size = packed.tobytes(), grid.row_bytes
    return FreeTime(
        {pk: rows[number * size : number * size + size] for pk, number in position.items()}, busy
    )


def reserved(resource_ids: Iterable[int], *, grid: Grid, now: datetime) -> dict[int, list[Span]]:
    """What keeps resources busy on the grid, as the reservations themselves say. One query."""
    return free_time((), patient_resource_ids=resource_ids, grid=grid, now=now).busy


def _by_day(bits: Sequence[tuple[int, int, bytes]], *, resources: int, grid: Grid) -> Bytes:
    """Busy bits as they are stored, shape (resources, bytes of whole days)."""
    days = (_last_day(grid) - grid.start.date()).days + 1
    busy = np.zeros((resources, days, DAY_BYTES), dtype=np.uint8)
    if bits:
        numbers, on_days, rows = zip(*bits, strict=True)
        joined = np.frombuffer(b"".join(rows), np.uint8)
        busy[np.array(numbers), np.array(on_days)] = joined.reshape(-1, DAY_BYTES)
    return busy.reshape(resources, days * DAY_BYTES)


def _packed(busy: Bytes, grid: Grid) -> Bytes:
    """The rows of the grid cut out of whole days; shape (resources, row_bytes)."""
    since = (grid.start - _midnight(grid.start)) // timedelta(minutes=GRAIN_MINUTES)
    if since % 8:
        bits = np.unpackbits(busy, axis=1)[:, since : since + grid.cells]
        return np.packbits(1 - bits, axis=1, bitorder="little")
    cut = busy[:, since // 8 : since // 8 + grid.row_bytes]
    return np.frombuffer(bytearray(cut.tobytes().translate(TO_FREE)), np.uint8).reshape(cut.shape)


def _take(packed: Bytes, number: int, *, start: float, end: float, grid: Grid) -> None:
    """Make the cells that a span touches busy in one row."""
    cells = np.unpackbits(packed[number], count=grid.cells, bitorder="little")
    since = int((start - grid.start.timestamp()) // CELL_SECONDS)
    until = -int((grid.start.timestamp() - end) // CELL_SECONDS)
    cells[max(since, 0) : max(until, 0)] = 0
    packed[number] = np.packbits(cells, bitorder="little")


# Shifts and a grid always give the same row.
@lru_cache(maxsize=16384)
def duty_row(starts: tuple[float, ...], ends: tuple[float, ...], grid: Grid) -> FreeRow:
    """The row of somebody on shift: n-th start and n-th end in seconds since 1970."""
    cells = np.zeros(grid.cells, dtype=np.bool_)
    origin = grid.start.timestamp()
    for start, end in zip(starts, ends, strict=True):
        since = -int((origin - start) // CELL_SECONDS)
        until = int((end - origin) // CELL_SECONDS)
        cells[max(since, 0) : max(until, 0)] = True
    return np.packbits(cells, bitorder="little").tobytes()


def _last_day(grid: Grid) -> date:
    return (grid.end - timedelta.resolution).date()


def _instant(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def _midnight(instant: datetime) -> datetime:
    return datetime.combine(instant.date(), time(0), tzinfo=UTC)
