"""Eyewear into the inventory, inspected, moved, out of use; and what a chain demands of it."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from clinics.access import Actor
from clinics.hours import local_date, zone_named
from clinics.models import Clinic
from clinics.services.changes import changed, differs
from core.db import command, constraint_as
from devices import locks
from devices.errors import (
    AccompanyingTaken,
    EyewearMalformed,
    InTheFuture,
    LabelTaken,
    RoomElsewhere,
)
from devices.models import AccompanyingEmission, Eyewear, EyewearPolicy
from devices.safety import MarkUnreadable, read_mark
from devices.selectors.eyewear import eyewear_policy_of
from devices.vocabulary import EyewearKind, EyewearState

SAYS_NOTHING = "A pair says at which wavelengths it stops how much: by densities, marks, or both."


@command
def eyewear_create(
    *, clinic: Clinic, fields: Mapping[str, Any], actor: Actor, now: datetime
) -> Eyewear:
    """Add a pair or a set of patient shields to a clinic.

    `fields`: label, kind, room, densities, marks, maker_mark, note, inspected_on. Raises
    NotAllowed, RoomElsewhere, EyewearMalformed, LabelTaken, InTheFuture.
    """
    actor.require_at(clinic.pk, "eyewear.write")
    eyewear = Eyewear(chain_id=clinic.chain_id, clinic=clinic, **_plain(fields))
    if eyewear.inspected_on is not None:
        _refuse_ahead(eyewear.inspected_on, clinic=clinic, now=now)
        eyewear.inspected_by_id = actor.staff_id
    _refuse_unfit(eyewear)
    with constraint_as(eyewear_label_once_per_chain=LabelTaken(label=eyewear.label)):
        eyewear.save(force_insert=True)
    return eyewear


@command
def eyewear_change(
    *, pk: int, changes: Mapping[str, Any], expected_version: int | None, actor: Actor
) -> Eyewear:
    """Change eyewear, move it, or take it out of use.

    Moved to another clinic (the role is needed at both) it leaves its room, unless a new one is
    named. Raises EyewearUnknown, NotAllowed, Stale, RoomElsewhere, EyewearMalformed, LabelTaken.
    """
    eyewear = locks.lock_eyewear(pk=pk, actor=actor)
    actor.require_at(eyewear.clinic_id, "eyewear.write")
    eyewear.check_version(expected_version)
    clinic = changes.get("clinic", eyewear.clinic)
    if clinic.pk != eyewear.clinic_id:
        actor.require_at(clinic.pk, "eyewear.write")
        changes = {"room": None, **changes}
    for name, value in _plain(changes).items():
        setattr(eyewear, name, value)
    _refuse_unfit(eyewear)
    with constraint_as(eyewear_label_once_per_chain=LabelTaken(label=eyewear.label)):
        eyewear.save()
    return eyewear


@command
def eyewear_inspect(
    *,
    pk: int,
    on: date | None,
    state: EyewearState,
    note: str,
    actor: Actor,
    now: datetime,
) -> Eyewear:
    """Record that eyewear was looked at (today in the clinic, or on a day before), and its state.

    Raises EyewearUnknown, NotAllowed, InTheFuture.
    """
    eyewear = locks.lock_eyewear(pk=pk, actor=actor)
    actor.require_at(eyewear.clinic_id, "eyewear.write")
    day = on or local_date(now, zone_named(eyewear.clinic.time_zone))
    _refuse_ahead(day, clinic=eyewear.clinic, now=now)
    return changed(
        eyewear,
        {"inspected_on": day, "inspected_by_id": actor.staff_id, "state": state, "note": note},
    )


@command
def eyewear_policy_set(
    *, changes: Mapping[str, Any], expected_version: int | None, actor: Actor
) -> EyewearPolicy:
    """Say what the chain demands; what was never said keeps its default. Raises NotAllowed, Stale.

    A chain that has said nothing is at version 0.
    """
    actor.require("eyewear_policy.write")
    policy = locks.lock_eyewear_policy(actor=actor)
    if policy is None:
        policy = eyewear_policy_of(actor.chain_id)
        policy.version = 0
        policy.check_version(expected_version)
        if not differs(policy, changes):
            return policy
        policy.version = 1
    else:
        policy.check_version(expected_version)
    return changed(policy, changes)


@command
def accompanying_emission_add(
    *, line_id: int, wavelength_nm: int, max_energy_j: float, actor: Actor
) -> AccompanyingEmission:
    """Record what leaves a laser together with a line. Raises LineUnknown, NotAllowed.

    Raises AccompanyingTaken for a second one of the same wavelength, EyewearMalformed for the
    wavelength of the line itself.
    """
    actor.require("laser_model.write")
    line = locks.lock_line(pk=line_id, actor=actor)
    if line.wavelength_nm == wavelength_nm:
        raise _malformed("/wavelength_nm", "same", "This is the wavelength of the line itself.")
    emission = AccompanyingEmission(
        line=line, wavelength_nm=wavelength_nm, max_energy_j=max_energy_j
    )
    taken = AccompanyingTaken(line=line.pk, wavelength_nm=wavelength_nm)
    with constraint_as(accompanyingemission_once_per_line=taken):
        emission.save(force_insert=True)
    return emission


@command
def accompanying_emission_remove(*, pk: int, expected_version: int | None, actor: Actor) -> None:
    """Take back that something leaves the laser with a line.

    Raises AccompanyingUnknown, NotAllowed, Stale.
    """
    actor.require("laser_model.write")
    emission = locks.lock_accompanying_emission(pk=pk, actor=actor)
    emission.check_version(expected_version)
    emission.delete()


def _plain(fields: Mapping[str, Any]) -> dict[str, Any]:
    """The fields with marks in their plain form. Raises EyewearMalformed."""
    return {**fields, **({"marks": _marks(fields["marks"])} if "marks" in fields else {})}


def _marks(given: Sequence[str]) -> list[str]:
    texts = []
    for index, mark in enumerate(given):
        try:
            texts.append(read_mark(mark).text)
        except MarkUnreadable as refused:
            raise _malformed(f"/marks/{index}", "mark_unreadable", str(refused)) from refused
    return texts


def _refuse_unfit(eyewear: Eyewear) -> None:
    if eyewear.room is not None and eyewear.room.clinic_id != eyewear.clinic_id:
        raise RoomElsewhere(room=eyewear.room.pk, clinic=eyewear.clinic_id)
    if eyewear.kind == EyewearKind.PAIR and not (eyewear.densities or eyewear.marks):
        raise _malformed("/densities", "required", SAYS_NOTHING)
    for index, one in enumerate(eyewear.densities):
        if one["high_nm"] < one["low_nm"]:
            raise _malformed(
                f"/densities/{index}/high_nm", "order", "The range ends before it begins."
            )


def _refuse_ahead(day: date, *, clinic: Clinic, now: datetime) -> None:
    today = local_date(now, zone_named(clinic.time_zone))
    if day > today:
        raise InTheFuture(field="inspected_on", at=day.isoformat(), now=today.isoformat())


def _malformed(pointer: str, code: str, detail: str) -> EyewearMalformed:
    return EyewearMalformed(detail, errors=[{"pointer": pointer, "code": code, "detail": detail}])
