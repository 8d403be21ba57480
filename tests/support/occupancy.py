"""Occupancy as sets of instants, and the same reckoned plainly from the reservations."""

from datetime import UTC, datetime, time, timedelta

from clinics.models import Occupancy, Reservation, Resource
from core.db import from_range
from core.vocabulary import ReservationStatus
from tests.support.factories import instant

CELL = timedelta(minutes=5)
CELLS = 288


def busy_cells(resource: Resource) -> set[datetime]:
    """The beginnings of the 5-minute cells that the table says are busy."""
    return {
        datetime.combine(row.day, time(0), tzinfo=UTC) + n * CELL
        for row in Occupancy.objects.filter(resource=resource)
        for n in range(CELLS)
        if bytes(row.bits)[n // 8] & (0x80 >> n % 8)
    }


def plain_cells(resource: Resource) -> set[datetime]:
    """The same from firm reservations, one cell after the other."""
    cells = set()
    for period in (
        Reservation.objects.filter(resource=resource)
        .exclude(status=ReservationStatus.BUSY_TENTATIVE)
        .values_list("period", flat=True)
    ):
        when = from_range(period)
        at = when.start - timedelta(seconds=when.start.timestamp() % CELL.total_seconds())
        while at < when.end:
            cells.add(at)
            at += CELL
    return cells


def cells_of(start: str, *, minutes: int) -> set[datetime]:
    """The cells from an instant on."""
    return {instant(start) + n * CELL for n in range(minutes // 5)}
