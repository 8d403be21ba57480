"""The 5-minute grid on which the search works, and free time as compact rows of bits.

A row is `bytes`: bit i (the least significant bit of a byte comes first, as PostgreSQL numbers
the bits of a bytea) is 1 when the whole of cell i is free. 36 bytes hold one day. What lies
partly in a cell takes the whole cell, so a row never promises time that is not there.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from core.spans import Span

GRAIN_MINUTES = 5
GRAIN = timedelta(minutes=GRAIN_MINUTES)
CELLS_PER_DAY = 24 * 60 // GRAIN_MINUTES

FreeRow = bytes
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells of 5 minutes from `start` (aware, on a 5-minute mark) on; the horizon of a search."""

    start: datetime
    cells: int

    def __post_init__(self) -> None:
        """Raise ValueError for a naive or unaligned start, or no cells."""
        if self.start.utcoffset() is None:
            raise ValueError("a grid starts at an instant with an offset")
        if self.start.timestamp() % GRAIN.total_seconds():
            raise ValueError("a grid starts on a 5-minute mark")
        if self.cells < 1:
            raise ValueError("a grid has at least one cell")
        object.__setattr__(self, "start", self.start.astimezone(UTC))

    @classmethod
    def covering(cls, span: Span) -> "Grid":
        """The smallest grid that holds `span`."""
        start = span.start - timedelta(seconds=span.start.timestamp() % GRAIN.total_seconds())
        return cls(start, -((start - span.end) // GRAIN))

    @classmethod
    def whole_days(cls, span: Span) -> "Grid":
        """The grid of all UTC days that `span` touches: rows kept by the day only need joining."""
        start = span.start.replace(hour=0, minute=0, second=0, microsecond=0)
        return cls(start, -((start - span.end) // timedelta(days=1)) * CELLS_PER_DAY)

    @property
    def end(self) -> datetime:
        """The instant after the last cell."""
        return self.start + self.cells * GRAIN

    @property
    def row_bytes(self) -> int:
        """Length of a row in bytes."""
        return (self.cells + 7) // 8

    def instant(self, cell: int) -> datetime:
        """The instant at which a cell begins."""
        return self.start + cell * GRAIN

    def first_cell_from(self, instant: datetime) -> int:
        """The first cell that begins at or after `instant`, between 0 and `cells`."""
        return min(max(-((self.start - instant) // GRAIN), 0), self.cells)

    def cell_of(self, instant: datetime) -> int:
        """The cell that holds `instant`, between 0 and `cells`."""
        return min(max((instant - self.start) // GRAIN, 0), self.cells)

    def mask(self, spans: Iterable[Span]) -> BoolArray:
        """Cells that lie wholly inside one of `spans`, as booleans, shape (cells,)."""
        inside = np.zeros(self.cells, dtype=np.bool_)
        for span in spans:
            inside[self.first_cell_from(span.start) : self.cell_of(span.end)] = True
        return inside

    def row(self, free: Iterable[Span], *, busy: Iterable[Span] = ()) -> FreeRow:
        """The row of whoever is free in `free` except in `busy`.

        Spans of `free` are expected merged: a cell across the seam of two touching spans is not
        wholly inside either.
        """
        cells = self.mask(free)
        for span in busy:
            cells[self.cell_of(span.start) : self.first_cell_from(span.end)] = False
        return np.packbits(cells, bitorder="little").tobytes()

    def always(self, *, busy: Iterable[Span] = ()) -> FreeRow:
        """The row of whoever is free all the time except in `busy`."""
        return self.row((Span(self.start, self.end),), busy=busy)

    def unpack(self, rows: Iterable[FreeRow]) -> BoolArray:
        """Rows as booleans, shape (rows, cells). Raises ValueError for a row of wrong length."""
        listed = list(rows)
        if any(len(row) != self.row_bytes for row in listed):
            raise ValueError(f"a row of this grid has {self.row_bytes} bytes")
        packed = np.frombuffer(b"".join(listed), dtype=np.uint8)
        bits = np.unpackbits(
            packed.reshape(len(listed), self.row_bytes),
            axis=1,
            count=self.cells,
            bitorder="little",
        )
        return bits.view(np.bool_)
