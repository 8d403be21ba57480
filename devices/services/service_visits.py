"""Visits for service: booked like any appointment, done on a passing energy check."""

from collections.abc import Sequence
from datetime import datetime

from clinics.access import Actor
from clinics.errors import VisitsInTheWay
from clinics.locks import lock_resources
from clinics.querysets import HasChain
from clinics.selectors import VISITS, reservations_in_the_way
from clinics.services.reservations import Wanted, release, reserve
from clinics.vocabulary import ReservationReason
from core.db import as_range, command, from_range, step
from core.spans import Span
from core.vocabulary import ReservationStatus
from devices import locks
from devices.errors.service import (
    PlansOfOthers,
    VerificationMissing,
    VisitAhead,
    VisitClosed,
    VisitInThePast,
)
from devices.models import Laser, LockOut, ServicePlan, ServiceVisit
from devices.policy import device_policy_of
from devices.selectors.checks import passing_since
from devices.services.clock import CLOCKS_DIFFER
from devices.services.lock_outs import laser_lock_out
from devices.vocabulary import LockOutReason, ServiceVisitStatus

OPEN = frozenset({ServiceVisitStatus.PENDING, ServiceVisitStatus.BOOKED})


def source_of(visit: ServiceVisit) -> str:
    """What the reservation of a service visit names as its source."""
    return f"service_visit:{visit.pk}"


@command
def service_visit_book(
    *,
    laser_id: int,
    span: Span,
    plans: Sequence[ServicePlan],
    note: str,
    despite_visits: bool,
    actor: Actor,
    now: datetime,
) -> ServiceVisit:
    """Book a visit: the laser is reserved for it like for an appointment.

    Raises LaserUnknown, NotAllowed, VisitInThePast, PlansOfOthers, and VisitsInTheWay naming what
    is booked then; with `despite_visits` the visit is pending instead, a lock-out keeps further
    bookings and sessions out, and it is reserved once the patients in its way have been moved.
    Over another service or an absence it is refused all the same.
    """
    if span.start < now - CLOCKS_DIFFER:
        raise VisitInThePast(field="start", now=now.isoformat())
    laser = locks.lock_laser(pk=laser_id, actor=actor)
    actor.require_at(laser.clinic_id, "service.write")
    if others := [plan.pk for plan in plans if plan.laser_id != laser.pk]:
        raise PlansOfOthers(field="plans", service_plans=others)
    lock_resources([laser.resource_id])
    in_the_way = _in_the_way(laser, span=span, now=now)
    hit = {source for source, _ in in_the_way}
    fixed = any(reason not in VISITS for _, reason in in_the_way)
    if hit and (fixed or not despite_visits):
        raise VisitsInTheWay(sources=sorted(hit))
    visit = ServiceVisit(
        laser=laser,
        period=as_range(span),
        status=ServiceVisitStatus.PENDING if hit else ServiceVisitStatus.BOOKED,
        note=note,
        booked_by_id=actor.staff_id,
    )
    if hit:
        visit.lock_out = laser_lock_out(
            laser=laser,
            period=as_range(span),
            reason=LockOutReason.SERVICE_VISIT,
            note=note,
            placed_by_id=actor.staff_id,
        )
    visit.save(force_insert=True)
    visit.plans.set(plans)
    if not hit:
        _reserve(visit, now=now)
    return visit


@command
def service_visit_cancel(
    *, pk: int, expected_version: int | None, actor: Actor, now: datetime
) -> ServiceVisit:
    """Cancel a visit; the laser is free again. What it locked out, it locks out no longer.

    Raises ServiceVisitUnknown, NotAllowed, Stale, VisitClosed.
    """
    visit = _open_visit(pk, actor=actor, expected_version=expected_version)
    _lift(visit, now=now)
    release(source=source_of(visit))
    visit.status = ServiceVisitStatus.CANCELLED
    visit.save()
    return visit


@command
def service_visit_complete(
    *,
    pk: int,
    outcome: str,
    energy_check_id: int | None,
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> ServiceVisit:
    """Record that a visit was done: its plans count anew from now.

    It stands on a passing energy check made since it began: the one named, or the last. Raises
    ServiceVisitUnknown, NotAllowed, Stale, VisitClosed, VisitAhead, VerificationMissing.
    """
    visit = _open_visit(pk, actor=actor, expected_version=expected_version)
    begun = visit.period.lower
    if now < begun:
        raise VisitAhead(start=begun.isoformat())
    check = passing_since(visit.laser_id, line_id=None, since=begun, pk=energy_check_id)
    needed = device_policy_of(visit.laser.chain.device_policy).needs_check(
        LockOutReason.SERVICE_VISIT
    )
    if check is None and (needed or energy_check_id is not None):
        raise VerificationMissing(service_visit=visit.pk, since=begun.isoformat())
    visit.verification = check
    visit.status = ServiceVisitStatus.FULFILLED
    visit.done_at = now
    visit.done_by_id = actor.staff_id
    visit.outcome = outcome
    visit.save()
    _begin_anew(visit, now=now)
    return visit


def visits_settle_due(*, now: datetime) -> int:
    """Reserve the laser for pending visits whose way is clear; how many. Safe to run twice."""
    rows = ServiceVisit.objects.filter(
        status=ServiceVisitStatus.PENDING, period__endswith__gt=now
    ).select_related("laser")
    return sum(_settle(visit_id=visit.pk, actor=visit.laser, now=now) for visit in rows)


@command
def _settle(*, visit_id: int, actor: HasChain, now: datetime) -> bool:
    visit = locks.lock_service_visit(pk=visit_id, actor=actor)
    if visit.status != ServiceVisitStatus.PENDING:
        return False
    lock_resources([visit.laser.resource_id])
    if _in_the_way(visit.laser, span=from_range(visit.period), now=now):
        return False
    _reserve(visit, now=now)
    _lift(visit, now=now)
    visit.status = ServiceVisitStatus.BOOKED
    visit.save()
    return True


@step
def _open_visit(pk: int, *, actor: Actor, expected_version: int | None) -> ServiceVisit:
    visit = locks.lock_service_visit(pk=pk, actor=actor)
    actor.require_at(visit.laser.clinic_id, "service.write")
    visit.check_version(expected_version)
    if visit.status not in OPEN:
        raise VisitClosed(service_visit=visit.pk, status=visit.status)
    return visit


@step
def _begin_anew(visit: ServiceVisit, *, now: datetime) -> None:
    done = set(visit.plans.values_list("pk", flat=True))
    for plan in locks.lock_service_plans(visit.laser_id):
        if plan.pk in done:
            plan.last_done_at = now
            plan.pulses_before = 0
            plan.warned_at = None
            plan.deferred_until = None
            plan.deferral_reason = ""
            plan.save()


@step
def _reserve(visit: ServiceVisit, *, now: datetime) -> None:
    wanted = Wanted(
        resource_id=visit.laser.resource_id,
        span=from_range(visit.period),
        reason=ReservationReason.SERVICE,
        status=ReservationStatus.BUSY_UNAVAILABLE,
    )
    reserve(wanted=[wanted], source=source_of(visit), now=now)


@step
def _lift(visit: ServiceVisit, *, now: datetime) -> None:
    """Remove the lock-out of a visit unless it has begun: then it ends as it was to."""
    lock_out: LockOut | None = visit.lock_out
    if lock_out is not None and lock_out.period.lower > now:
        visit.lock_out = None
        visit.save()
        lock_out.delete()


def _in_the_way(laser: Laser, *, span: Span, now: datetime) -> list[tuple[str, str]]:
    """(source, reason) of what keeps the laser busy then."""
    rows = reservations_in_the_way([laser.resource_id], span, now=now)
    return list(rows.values_list("source", "reason"))
