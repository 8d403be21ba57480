"""Lock-outs: a laser may not fire until somebody answerable for it says so."""

from datetime import datetime
from typing import Any

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.access import Actor
from clinics.locks import lock_resources
from core.db import command, constraint_as
from devices import locks
from devices.errors import (
    EndsBeforeStart,
    LaserLockedOut,
    LockOutAhead,
    LockOutBegun,
    LockOutInThePast,
    LockOutOver,
)
from devices.models import LockOut
from devices.services.clock import CLOCKS_DIFFER
from devices.vocabulary import LockOutReason


@command
def lock_out_place(
    *,
    laser_id: int,
    reason: LockOutReason,
    note: str,
    start: datetime,
    end: datetime | None,
    actor: Actor,
    now: datetime,
) -> LockOut:
    """Lock a laser out from `start` until `end`, or (None) until it is released.

    The laser's resource is locked too: a booking in flight is either seen among the visits that
    are hit or sees the lock-out. Raises LaserUnknown, NotAllowed, LockOutInThePast,
    EndsBeforeStart, LaserLockedOut when another lock-out overlaps.
    """
    if start < now - CLOCKS_DIFFER:
        raise LockOutInThePast(field="start", now=now.isoformat())
    if end is not None and end <= start:
        raise EndsBeforeStart(field="end", start=start.isoformat())
    laser = locks.lock_laser(pk=laser_id, actor=actor)
    actor.require("lock_out.write", clinic_id=laser.clinic_id)
    lock_resources([laser.resource_id])
    period = DateTimeTZRange(start, end)
    if other := laser.lock_outs.filter(period__overlap=period).order_by("period").first():
        raise LaserLockedOut(lock_out=other.pk, **_json(other))
    lock_out = LockOut(
        laser=laser, period=period, reason=reason, note=note, placed_by_id=actor.staff_id
    )
    with constraint_as(lockout_one_at_a_time=LaserLockedOut(laser=laser.pk)):
        lock_out.save(force_insert=True)
    return lock_out


@command
def lock_out_release(*, pk: int, note: str, actor: Actor, now: datetime) -> LockOut:
    """End a lock-out now, with a note on what was checked.

    Raises LockOutUnknown, NotAllowed, LockOutOver, and LockOutAhead before it has begun.
    """
    lock_out = locks.lock_lock_out(pk=pk, actor=actor)
    actor.require("lock_out.release", clinic_id=lock_out.laser.clinic_id)
    if lock_out.period.lower >= now:
        raise LockOutAhead(**_json(lock_out))
    if lock_out.period.upper is not None and lock_out.period.upper <= now:
        raise LockOutOver(**_json(lock_out))
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
    actor.require("lock_out.release", clinic_id=lock_out.laser.clinic_id)
    lock_out.check_version(expected_version)
    if lock_out.period.lower < now:
        raise LockOutBegun(**_json(lock_out))
    lock_out.delete()


def _json(lock_out: LockOut) -> dict[str, Any]:
    upper = lock_out.period.upper
    return {
        "start": lock_out.period.lower.isoformat(),
        "end": upper.isoformat() if upper is not None else None,
    }
