"""Resources made busy and freed again: the one write path of reservations."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from clinics import locks
from clinics.errors import ResourceTaken
from clinics.models import Reservation, Resource
from clinics.selectors import Standing, standing_within
from clinics.vocabulary import ReservationReason
from core.db import as_range, constraint_as, step
from core.spans import Span
from core.vocabulary import ReservationStatus


@dataclass(frozen=True, slots=True)
class Wanted:
    """One resource, wanted for one half-open span.

    `expires_at` is given for a tentative reservation and for no other.
    """

    resource_id: int
    span: Span
    reason: ReservationReason = ReservationReason.APPOINTMENT
    status: ReservationStatus = ReservationStatus.BUSY
    expires_at: datetime | None = None


@step
def reserve(
    *, wanted: Sequence[Wanted], source: str, now: datetime, locked: Sequence[Resource] = ()
) -> list[Reservation]:
    """Make all of these resources busy, or none.

    Locks the resources in the order of their ids, unless they are all among those that are
    `locked` already, drops tentative reservations in the way that have expired at `now`, and
    inserts everything in one statement. Raises ResourceTaken (with the
    kinds and ids of what is busy, never whom for) and ResourceUnknown. To move a booking, lock
    the old and the new resources at once, release, and reserve.
    """
    if not wanted:
        return []
    resources = _locked({want.resource_id for want in wanted}, already=locked)
    ids = [resource.pk for resource in resources]
    _clear_the_way(wanted, resources=resources, now=now)
    rows = [
        Reservation(
            resource_id=want.resource_id,
            period=as_range(want.span),
            status=want.status,
            reason=want.reason,
            source=source,
            expires_at=want.expires_at,
        )
        for want in wanted
    ]
    kinds = sorted({resource.kind for resource in resources})
    with constraint_as(reservation_no_overlap=ResourceTaken(kinds=kinds, resources=sorted(ids))):
        return Reservation.objects.bulk_create(rows)


@step
def release(*, source: str) -> int:
    """Free whatever `source` holds; the number of reservations removed. Safe to repeat."""
    return release_all(sources=[source])


@step
def release_all(*, sources: Sequence[str]) -> int:
    """Free whatever these sources hold, all at once; the number of reservations removed."""
    locks.lock_resources(resources_held_by(*sources))
    removed, _ = Reservation.objects.filter(source__in=sources).delete()
    return removed


def resources_held_by(*sources: str) -> set[int]:
    """The resources that these sources have reserved. One query."""
    return set(Reservation.objects.filter(source__in=sources).values_list("resource_id", flat=True))


def _locked(ids: set[int], *, already: Sequence[Resource]) -> list[Resource]:
    known = [resource for resource in already if resource.pk in ids]
    return known if len(known) == len(ids) else locks.lock_resources(ids)


def _clear_the_way(
    wanted: Sequence[Wanted], *, resources: Sequence[Resource], now: datetime
) -> None:
    """Raise ResourceTaken with exactly the resources that are busy; drop what has expired."""
    spans = [want.span for want in wanted]
    hull = Span(min(span.start for span in spans), max(span.end for span in spans))
    found = standing_within([resource.pk for resource in resources], hull, now=now)
    taken = _taken(wanted, busy=[one for one in found if not one.expired])
    if taken:
        kinds = {resource.kind for resource in resources if resource.pk in taken}
        raise ResourceTaken(kinds=sorted(kinds), resources=sorted(taken))
    if expired := [one.id for one in found if one.expired]:
        Reservation.objects.filter(pk__in=expired).delete()


def _taken(wanted: Sequence[Wanted], *, busy: Iterable[Standing]) -> set[int]:
    return {
        one.resource_id
        for one in busy
        for want in wanted
        if want.resource_id == one.resource_id and want.span.overlaps(one.span)
    }
