"""Absences: leave of staff, a room closed, a device away for service."""

from collections.abc import Mapping
from datetime import datetime
from typing import Final

from clinics import locks, selectors
from clinics.access import Actor
from clinics.errors import AbsenceUnfit, VisitsInTheWay
from clinics.models import Absence, Resource
from clinics.services.reservations import Wanted, release, reserve
from clinics.vocabulary import AbsenceReason, ReservationReason, ResourceKind
from core.db import as_range, command, from_range
from core.spans import Span
from core.vocabulary import ReservationStatus

REASONS: Final[Mapping[str, frozenset[AbsenceReason]]] = {
    ResourceKind.STAFF: frozenset({AbsenceReason.LEAVE}),
    ResourceKind.ROOM: frozenset({AbsenceReason.CLOSURE, AbsenceReason.SERVICE}),
    ResourceKind.LASER: frozenset({AbsenceReason.SERVICE}),
    ResourceKind.HANDPIECE: frozenset({AbsenceReason.SERVICE}),
    ResourceKind.PATIENT: frozenset(),
}


@command
def absence_create(
    *,
    resource: Resource,
    span: Span,
    reason: AbsenceReason,
    note: str,
    actor: Actor,
    now: datetime,
) -> Absence:
    """Make a resource unavailable for a span.

    The actor must hold `absence.write` at every clinic concerned: where the resource stands, or
    where the member of staff has shifts in that span. Raises NotAllowed, AbsenceUnfit,
    VisitsInTheWay (naming what must be moved first), ResourceTaken.
    """
    if reason not in REASONS[resource.kind]:
        raise AbsenceUnfit(kind=resource.kind, reason=reason, fits=sorted(REASONS[resource.kind]))
    _require(resource, span=span, actor=actor)
    locks.lock_resources([resource.pk])
    refuse_in_the_way([resource.pk], span=span, now=now)
    absence = Absence.objects.create(
        resource=resource,
        period=as_range(span),
        reason=reason,
        note=note,
        entered_by_id=actor.staff_id,
    )
    wanted = Wanted(
        resource_id=resource.pk,
        span=span,
        reason=ReservationReason(reason),
        status=ReservationStatus.BUSY_UNAVAILABLE,
    )
    reserve(wanted=[wanted], source=source_of(absence), now=now)
    return absence


@command
def absence_remove(*, pk: int, expected_version: int | None, actor: Actor) -> None:
    """Make the resource available again. Raises AbsenceUnknown, NotAllowed, Stale."""
    absence = locks.lock_absence(pk=pk, actor=actor)
    _require(absence.resource, span=from_range(absence.period), actor=actor)
    absence.check_version(expected_version)
    release(source=source_of(absence))
    absence.delete()


def source_of(absence: Absence) -> str:
    """What the reservation of an absence names as its source."""
    return f"absence:{absence.pk}"


def refuse_in_the_way(resource_ids: list[int], *, span: Span, now: datetime) -> None:
    """Raise VisitsInTheWay when anything keeps these resources busy within the span."""
    rows = selectors.reservations_in_the_way(resource_ids, span, now=now)
    if found := list(rows.values_list("source", "reason", "period")):
        raise VisitsInTheWay(
            reservations=[
                {"source": source, "reason": why, **_json(from_range(period))}
                for source, why, period in found
            ],
            sources=sorted({source for source, _, _ in found}),
        )


def _json(span: Span) -> dict[str, str]:
    return {"start": span.start.isoformat(), "end": span.end.isoformat()}


def _require(resource: Resource, *, span: Span, actor: Actor) -> None:
    concerned: set[int | None] = {resource.clinic_id}
    if resource.kind == ResourceKind.STAFF:
        concerned = {*selectors.clinics_of_shifts(resource.staff_member.pk, span)} or {None}
    for clinic_id in concerned:
        actor.require_at(clinic_id, "absence.write")
