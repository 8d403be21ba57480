"""Lock-outs: a laser may not fire until somebody answerable for it says so."""

from datetime import datetime
from typing import Any

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.access import Actor
from clinics.locks import lock_resources
from core.db import command, constraint_as, step
from devices import locks
from devices.errors import (
    EndsBeforeStart,
    LaserLockedOut,
    LineNotEmitted,
    LockOutAhead,
    LockOutBegun,
    LockOutInThePast,
    LockOutOver,
)
from devices.errors.checks import EnergyCheckUnknown
from devices.errors.service import LineLockOutBounded, ServiceStillDue, VerificationMissing
from devices.models import EmissionLine, EnergyCheck, Laser, LockOut
from devices.policy import device_policy_of
from devices.selectors.checks import failures_fitted, passing_since
from devices.selectors.service import overdue_plans
from devices.services.clock import CLOCKS_DIFFER
from devices.vocabulary import LockOutReason


@command
def lock_out_place(  # noqa: PLR0913 - what, why, from and until when
    *,
    laser_id: int,
    reason: LockOutReason,
    note: str,
    start: datetime,
    end: datetime | None,
    actor: Actor,
    now: datetime,
    line: EmissionLine | None = None,
) -> LockOut:
    """Lock a laser out from `start` until `end`, or (None) until it is released.

    With a line, that line alone, from now until it is released. The laser's resource is locked
    too: a booking in flight is either seen among the visits that are hit or sees the lock-out.
    Raises LaserUnknown, NotAllowed, LockOutInThePast, EndsBeforeStart, LineNotEmitted,
    LineLockOutBounded, LaserLockedOut when another lock-out overlaps.
    """
    if start < now - CLOCKS_DIFFER:
        raise LockOutInThePast(field="start", now=now.isoformat())
    if end is not None and end <= start:
        raise EndsBeforeStart(field="end", start=start.isoformat())
    laser = locks.lock_laser(pk=laser_id, actor=actor)
    actor.require_at(laser.clinic_id, "lock_out.write")
    if line is not None:
        _refuse_unfit_line(laser, line=line, bounded=end is not None or start > now + CLOCKS_DIFFER)
    lock_resources([laser.resource_id])
    lock_out = LockOut(
        laser=laser,
        line=line,
        period=DateTimeTZRange(start, end),
        reason=reason,
        note=note,
        placed_by_id=actor.staff_id,
    )
    if other := _in_the_way(lock_out):
        raise LaserLockedOut(lock_out=other.pk, **_json(other))
    return _write(lock_out)


@step
def line_lock_out(
    *,
    laser: Laser,
    line: EmissionLine,
    reason: LockOutReason,
    note: str,
    placed_by_id: int | None,
    now: datetime,
) -> LockOut:
    """The lock-out that keeps a line from firing from now on: the one there is, or a new one.

    The laser is locked. Locks its resource, as a booking does.
    """
    lock_resources([laser.resource_id])
    lock_out = LockOut(
        laser=laser,
        line=line,
        period=DateTimeTZRange(now, None),
        reason=reason,
        note=note,
        placed_by_id=placed_by_id,
    )
    return _in_the_way(lock_out) or _write(lock_out)


@step
def laser_lock_out(
    *,
    laser: Laser,
    period: DateTimeTZRange,
    reason: LockOutReason,
    note: str,
    placed_by_id: int | None,
) -> LockOut | None:
    """Lock a whole laser out; None when it is locked out already in that period.

    The laser is locked. Locks its resource, as a booking does.
    """
    lock_resources([laser.resource_id])
    lock_out = LockOut(
        laser=laser, period=period, reason=reason, note=note, placed_by_id=placed_by_id
    )
    return None if _in_the_way(lock_out) else _write(lock_out)


@command
def lock_out_release(
    *, pk: int, note: str, actor: Actor, now: datetime, energy_check_id: int | None = None
) -> LockOut:
    """End a lock-out now, with a note on what was checked.

    After a failed check, a service, or whatever else the chain's policy says, only on a passing
    energy check made since it began: the one named, or the last. Raises LockOutUnknown,
    NotAllowed, LockOutOver, LockOutAhead before it has begun, EnergyCheckUnknown,
    VerificationMissing, and ServiceStillDue when the service is neither done nor put off.
    """
    lock_out = locks.lock_lock_out(pk=pk, actor=actor)
    actor.require_at(lock_out.laser.clinic_id, "lock_out.release")
    if lock_out.period.lower >= now:
        raise LockOutAhead(**_json(lock_out))
    if lock_out.period.upper is not None and lock_out.period.upper <= now:
        raise LockOutOver(**_json(lock_out))
    _verify(lock_out, energy_check_id=energy_check_id, now=now)
    lock_out.period = DateTimeTZRange(lock_out.period.lower, now)
    lock_out.released_by_id = actor.staff_id
    lock_out.release_note = note
    lock_out.save()
    return lock_out


@command
def lock_out_withdraw(
    *, pk: int, expected_version: int | None, actor: Actor, now: datetime
) -> None:
    """Remove a lock-out that has not begun.

    Raises LockOutUnknown, NotAllowed, Stale, and LockOutBegun once it holds: then it is released.
    """
    lock_out = locks.lock_lock_out(pk=pk, actor=actor)
    actor.require_at(lock_out.laser.clinic_id, "lock_out.release")
    lock_out.check_version(expected_version)
    if lock_out.period.lower < now:
        raise LockOutBegun(**_json(lock_out))
    lock_out.delete()


@step
def _verify(lock_out: LockOut, *, energy_check_id: int | None, now: datetime) -> None:
    """Note the passing energy check on which a lock-out is released, where one is needed."""
    laser = lock_out.laser
    needed = device_policy_of(laser.chain.device_policy).needs_check(lock_out.reason)
    if energy_check_id is not None or needed:
        lock_out.verification = passing_since(
            laser.pk, line_id=lock_out.line_id, since=lock_out.period.lower, pk=energy_check_id
        )
    if energy_check_id is not None and lock_out.verification is None:
        if not EnergyCheck.objects.filter(laser=laser, pk=energy_check_id).exists():
            raise EnergyCheckUnknown(energy_check=energy_check_id)
        raise VerificationMissing(lock_out=lock_out.pk, energy_check=energy_check_id)
    if not needed:
        return
    if lock_out.verification is None:
        raise VerificationMissing(
            "Record an energy check that passes; it must be made after the lock-out began.",
            lock_out=lock_out.pk,
            since=lock_out.period.lower.isoformat(),
        )
    if lock_out.reason == LockOutReason.ENERGY_CHECK_FAILED:
        _refuse_failures(lock_out, now=now)
    if lock_out.reason == LockOutReason.SERVICE_DUE:
        _refuse_still_due(laser, now=now)


@step
def _refuse_failures(lock_out: LockOut, *, now: datetime) -> None:
    failed = failures_fitted(lock_out.laser, line_id=lock_out.line_id, now=now)
    if failed:
        raise VerificationMissing(
            "The last check through a handpiece that is on the laser failed.",
            lock_out=lock_out.pk,
            energy_checks=[check.pk for check in failed],
            handpieces=[check.handpiece_id for check in failed],
        )


@step
def _refuse_still_due(laser: Laser, *, now: datetime) -> None:
    if plans := overdue_plans(laser, now=now):
        raise ServiceStillDue(service_plans=[plan.pk for plan in plans])


def _refuse_unfit_line(laser: Laser, *, line: EmissionLine, bounded: bool) -> None:
    if line.laser_model_id != laser.laser_model_id:
        raise LineNotEmitted(line=line.pk, wavelength_nm=line.wavelength_nm)
    if bounded:
        raise LineLockOutBounded(line=line.pk)


def _in_the_way(lock_out: LockOut) -> LockOut | None:
    rows = LockOut.objects.filter(
        laser=lock_out.laser, line=lock_out.line, period__overlap=lock_out.period
    )
    other: LockOut | None = rows.order_by("period").first()
    return other


@step
def _write(lock_out: LockOut) -> LockOut:
    with constraint_as(lockout_one_at_a_time=LaserLockedOut(laser=lock_out.laser_id)):
        lock_out.save(force_insert=True)
    return lock_out


def _json(lock_out: LockOut) -> dict[str, Any]:
    upper = lock_out.period.upper
    return {
        "start": lock_out.period.lower.isoformat(),
        "end": upper.isoformat() if upper is not None else None,
    }
