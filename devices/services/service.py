"""Service plans: kept, put off, and enforced by a tick."""

from collections.abc import Mapping
from datetime import datetime
from itertools import groupby
from typing import Any

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.access import Actor
from clinics.querysets import HasChain
from clinics.services.changes import changed
from core.db import command, constraint_as
from core.vocabulary import DeviceStatus
from devices import locks
from devices.errors.service import DeferralWithoutReason, PlanNameTaken, PlanWithoutInterval
from devices.models import ServicePlan
from devices.policy import device_policy_of
from devices.selectors.service import PlanStanding, plan_standings, plans_counted
from devices.services.clock import refuse_future
from devices.services.lock_outs import laser_lock_out
from devices.services.service_visits import visits_settle_due
from devices.vocabulary import LockOutReason, ServiceState


@command
def service_plan_create(
    *, laser_id: int, fields: Mapping[str, Any], actor: Actor, now: datetime
) -> ServicePlan:
    """Give a laser a service plan.

    `fields`: name, every_pulses, every_months, tolerances, last_done_at, pulses_before, source.
    Raises LaserUnknown, NotAllowed, InTheFuture, PlanWithoutInterval, PlanNameTaken.
    """
    refuse_future(fields["last_done_at"], field="last_done_at", now=now)
    laser = locks.lock_laser(pk=laser_id, actor=actor)
    actor.require_at(laser.clinic_id, "service.write")
    plan = ServicePlan(laser=laser, **fields)
    _refuse_without_interval(plan)
    with constraint_as(serviceplan_name_once=PlanNameTaken(name=plan.name)):
        plan.save(force_insert=True)
    return plan


@command
def service_plan_change(
    *, pk: int, changes: Mapping[str, Any], expected_version: int | None, actor: Actor
) -> ServicePlan:
    """Change a plan's intervals, tolerances, name or source, or whether it is in force.

    When it was last done is told by its visits alone. Raises ServicePlanUnknown, NotAllowed,
    Stale, PlanWithoutInterval, PlanNameTaken.
    """
    plan = locks.lock_service_plan(pk=pk, actor=actor)
    actor.require_at(plan.laser.clinic_id, "service.write")
    plan.check_version(expected_version)
    for name, value in changes.items():
        setattr(plan, name, value)
    _refuse_without_interval(plan)
    with constraint_as(serviceplan_name_once=PlanNameTaken(name=plan.name)):
        return changed(plan, changes)


@command
def service_plan_defer(
    *,
    pk: int,
    until: datetime,
    reason: str,
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> ServicePlan:
    """Put a service off: no lock-out for its lateness before `until`. It stays due.

    Raises ServicePlanUnknown, NotAllowed, Stale, DeferralWithoutReason.
    """
    plan = locks.lock_service_plan(pk=pk, actor=actor)
    actor.require_at(plan.laser.clinic_id, "service.defer")
    plan.check_version(expected_version)
    if until <= now or not reason.strip():
        raise DeferralWithoutReason(field="until" if until <= now else "reason")
    plan.deferred_until = until
    plan.deferral_reason = reason.strip()
    plan.save()
    return plan


def services_tick(*, now: datetime) -> dict[str, int]:
    """Warn of services that are near, lock out the lasers of those overdue, settle visits.

    Looks at everything without a lock, and acts laser by laser under its lock, looking again: it
    may run twice at once, and beside anything else. The numbers of what it did.
    """
    rows = ServicePlan.objects.filter(active=True, laser__status=DeviceStatus.ACTIVE)
    plans = plans_counted(rows.select_related("laser__clinic", "laser__chain"))
    done = {"warned": 0, "locked_out": 0, "settled": visits_settle_due(now=now)}
    for _, group in groupby(plans.order_by("laser__chain", "laser", "pk"), _chain_of):
        held = list(group)
        policy = device_policy_of(held[0].laser.chain.device_policy)
        standings = plan_standings(held, policy=policy, now=now)
        wanting = {one.plan.laser_id: one.plan.laser for one in standings if _wants(one)}
        for laser in wanting.values():
            warned, locked = _enforce(laser_id=laser.pk, actor=laser, now=now)
            done["warned"] += warned
            done["locked_out"] += locked
    return done


@command
def _enforce(*, laser_id: int, actor: HasChain, now: datetime) -> tuple[int, int]:
    """Warn of the plans of one laser, and lock it out when one is overdue."""
    laser = locks.lock_laser(pk=laser_id, actor=actor)
    locks.lock_service_plans(laser.pk)
    policy = device_policy_of(laser.chain.device_policy)
    rows = ServicePlan.objects.filter(laser=laser, active=True).select_related("laser__clinic")
    standings = plan_standings(plans_counted(rows), policy=policy, now=now)
    unwarned = [one.plan for one in standings if _is_near(one) and one.plan.warned_at is None]
    for plan in unwarned:
        plan.warned_at = now
        plan.save(update_fields=["warned_at"])
    late = [one for one in standings if one.locks_out]
    if not late or not policy.service_lock_out:
        return len(unwarned), 0
    names = ", ".join(one.plan.name for one in late)
    placed = laser_lock_out(
        laser=laser,
        period=DateTimeTZRange(now, None),
        reason=LockOutReason.SERVICE_DUE,
        note=f"Overdue: {names}"[:400],
        placed_by_id=None,
    )
    return len(unwarned), int(placed is not None)


def _wants(standing: PlanStanding) -> bool:
    return standing.locks_out or (_is_near(standing) and standing.plan.warned_at is None)


def _is_near(standing: PlanStanding) -> bool:
    return standing.state is not ServiceState.FAR


def _chain_of(plan: ServicePlan) -> int:
    return int(plan.laser.chain_id)


def _refuse_without_interval(plan: ServicePlan) -> None:
    if plan.every_pulses is None and plan.every_months is None:
        raise PlanWithoutInterval(field="every_pulses")
