"""Occupancy compared with the reservations it is made from, and mended."""

from collections.abc import Iterator, Sequence
from datetime import date

from django.db import connection

from clinics.locks import lock_resources
from clinics.models import Resource
from clinics.selectors import OccupancyDifference, occupancy_differences
from clinics.vocabulary import ResourceKind
from core.db import command

AT_ONCE = 200


def occupancy_check(
    *, since: date, mend: bool, at_once: int = AT_ONCE
) -> Iterator[OccupancyDifference]:
    """Every difference from a UTC day on, as found and, with `mend`, mended.

    Some resources at a time, each lot in a transaction of its own, so that bookings go on.
    """
    rows = Resource.objects.exclude(kind=ResourceKind.PATIENT).order_by("pk")
    last = 0
    while ids := list(rows.filter(pk__gt=last).values_list("pk", flat=True)[:at_once]):
        last = ids[-1]
        found = occupancy_differences(ids, since=since)
        if found and mend:
            found = occupancy_mend(found, since=since)
        yield from found


@command
def occupancy_mend(
    suspects: Sequence[OccupancyDifference], *, since: date
) -> list[OccupancyDifference]:
    """Look again at these resources under their locks and mend what differs; what it was."""
    ids = {one.resource_id for one in suspects}
    lock_resources(ids)
    found = occupancy_differences(ids, since=since)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT occupancy_refresh(%s::bigint[], %s::date[])",
            [[one.resource_id for one in found], [one.day for one in found]],
        )
    return found
