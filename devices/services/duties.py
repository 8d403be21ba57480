"""Start-up checks, periodic duties, and the chain's lists of both."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from clinics.access import Actor
from clinics.hours import local_date, zone_named
from clinics.models import Clinic, Room
from clinics.services.changes import differs
from core.db import command
from devices import locks
from devices.errors import InTheFuture
from devices.errors.duties import (
    DutyRecordWithdrawn,
    DutyRulesMalformed,
    DutyUnknown,
    StartUpMalformed,
    StartUpNotToday,
)
from devices.models import DutyPolicy, DutyRecord, Laser, StartUpCheck
from devices.safety.duty_rules import RuleUnfit, StartUpItem
from devices.safety.vocabulary import StartUpScope
from devices.selectors.start_up import duty_policy_of, duty_rules
from devices.services.clock import refuse_future


@command
def duty_policy_set(
    *, changes: Mapping[str, Any], expected_version: int | None, actor: Actor
) -> DutyPolicy:
    """Say what differs from the defaults; a list of None is the default again.

    Raises NotAllowed, Stale, DutyRulesMalformed. A chain that has said nothing is at version 0.
    """
    actor.require("duty_policy.write")
    policy = locks.lock_duty_policy(actor=actor)
    if policy is None:
        policy = duty_policy_of(actor.chain_id)
        policy.version = 0
        policy.check_version(expected_version)
        if not differs(policy, changes):
            return policy
        policy.version = 1
    else:
        policy.check_version(expected_version)
    for name, value in changes.items():
        setattr(policy, name, value)
    try:
        duty_rules(policy)
    except RuleUnfit as refused:
        told = {"pointer": refused.pointer, "code": refused.rule, "detail": str(refused)}
        raise DutyRulesMalformed(str(refused), errors=[told]) from refused
    policy.save()
    return policy


@command
def start_up_check_record(
    *,
    device: Laser | Room,
    items: Iterable[Mapping[str, Any]],
    checked_at: datetime,
    note: str,
    actor: Actor,
    now: datetime,
) -> StartUpCheck:
    """Record what was looked at on a laser or in a room before the first patient of today.

    `items`: code, ok, note; one for each thing on the chain's list. Raises NotAllowed,
    InTheFuture, StartUpNotToday, StartUpMalformed.
    """
    clinic = device.clinic
    actor.require_at(clinic.pk, "start_up_check.write")
    refuse_future(checked_at, field="checked_at", now=now)
    zone = zone_named(clinic.time_zone)
    day = local_date(checked_at, zone)
    if day != local_date(now, zone):
        raise StartUpNotToday(field="checked_at", day=day.isoformat())
    laser = device if isinstance(device, Laser) else None
    scope = StartUpScope.ROOM if laser is None else StartUpScope.LASER
    wanted = duty_rules(duty_policy_of(clinic.chain_id)).items_for(scope)
    answers = _answers(list(items), wanted=wanted)
    check = StartUpCheck(
        clinic=clinic,
        laser=laser,
        room=device if isinstance(device, Room) else None,
        day=day,
        checked_at=checked_at,
        checked_by_id=actor.staff_id,
        items=answers,
        passed=all(one["ok"] for one in answers),
        note=note,
    )
    check.save(force_insert=True)
    return check


@command
def duty_record(
    *, clinic: Clinic, fields: Mapping[str, Any], actor: Actor, now: datetime
) -> DutyRecord:
    """Record that a periodic duty of a clinic was done.

    `fields`: duty, done_on, done_by, outcome. Raises NotAllowed, DutyUnknown, InTheFuture.
    """
    actor.require_at(clinic.pk, "duty.write")
    known = [duty.code for duty in duty_rules(duty_policy_of(clinic.chain_id)).periodic]
    if fields["duty"] not in known:
        raise DutyUnknown(f"It has: {', '.join(known)}.", field="duty", duties=known)
    _refuse_ahead(fields["done_on"], clinic=clinic, now=now)
    record = DutyRecord(clinic=clinic, recorded_by_id=actor.staff_id, recorded_at=now, **fields)
    record.save(force_insert=True)
    return record


@command
def duty_record_withdraw(*, pk: int, reason: str, actor: Actor, now: datetime) -> DutyRecord:
    """Let a record that was made in error count no longer: a further row says so, and why.

    Raises DutyRecordUnknown, NotAllowed, DutyRecordWithdrawn.
    """
    record = locks.lock_duty_record(pk=pk, actor=actor)
    actor.require_at(record.clinic_id, "duty.withdraw")
    taken_back = DutyRecord.objects.filter(withdraws=record).exists()
    if taken_back or record.withdraws_id is not None:
        raise DutyRecordWithdrawn(duty_record=record.pk)
    row = DutyRecord(
        clinic_id=record.clinic_id,
        duty=record.duty,
        done_on=record.done_on,
        done_by=record.done_by,
        outcome=reason,
        recorded_by_id=actor.staff_id,
        recorded_at=now,
        withdraws=record,
    )
    row.save(force_insert=True)
    return row


def _answers(
    items: list[Mapping[str, Any]], *, wanted: tuple[StartUpItem, ...]
) -> list[dict[str, Any]]:
    """The answers in the order of the list. Raises StartUpMalformed."""
    known = {item.code for item in wanted}
    given = {item["code"]: item for item in items}
    errors = []
    for index, item in enumerate(items):
        at = f"/items/{index}"
        if item["code"] not in known:
            errors.append(_error(f"{at}/code", "unknown", "It is not on the list."))
        elif given[item["code"]] is not item:
            errors.append(_error(f"{at}/code", "twice", "It is answered twice."))
        if not item["ok"] and not item["note"].strip():
            errors.append(_error(f"{at}/note", "required", "Say what is wrong."))
    errors += [
        _error("/items", "missing", f"{one.code}: {one.text}")
        for one in wanted
        if one.code not in given
    ]
    if errors or not wanted:
        said = errors[0]["detail"] if errors else "The chain's list is empty."
        raise StartUpMalformed(said, errors=errors, expected=[one.code for one in wanted])
    return [
        {"code": one.code, "ok": given[one.code]["ok"], "note": given[one.code]["note"].strip()}
        for one in wanted
    ]


def _error(pointer: str, code: str, detail: str) -> dict[str, str]:
    return {"pointer": pointer, "code": code, "detail": detail}


def _refuse_ahead(day: date, *, clinic: Clinic, now: datetime) -> None:
    today = local_date(now, zone_named(clinic.time_zone))
    if day > today:
        raise InTheFuture(field="done_on", at=day.isoformat(), now=today.isoformat())
