"""Parts: into the chain, into a laser or a handpiece, out again."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.access import Actor
from clinics.services.changes import changed
from core.db import command, constraint_as, step
from core.vocabulary import DeviceStatus
from devices import locks
from devices.errors import EndsBeforeStart
from devices.errors.parts import InstallationOver, PartInstalled, PartOutOfService, PartTaken
from devices.models import Handpiece, Installation, Laser, Part
from devices.services.clock import refuse_future
from devices.services.models import refuse_in_use


@command
def part_create(*, fields: Mapping[str, Any], actor: Actor) -> Part:
    """Add a part to the actor's chain.

    `fields`: kind, serial, rated life in pulses and months with its source, pulses_before,
    wavelengths_nm. Raises NotAllowed, PartTaken.
    """
    actor.require("part.write")
    part = Part(chain_id=actor.chain_id, **fields)
    with constraint_as(part_serial_once_per_kind=PartTaken(kind=part.kind, serial=part.serial)):
        part.save(force_insert=True)
    return part


@command
def part_change(
    *,
    pk: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Part:
    """Change a part. Raises PartUnknown, NotAllowed, Stale, PartTaken.

    InUse when it is to leave service while it is installed.
    """
    actor.require("part.write")
    part = locks.lock_part(pk=pk, actor=actor)
    part.check_version(expected_version)
    if changes.get("status", part.status) not in {DeviceStatus.ACTIVE, part.status}:
        refuse_in_use(installations=part.installations.holding_at(now))
    with constraint_as(part_serial_once_per_kind=PartTaken(serial=part.serial)):
        return changed(part, changes)


@command
def part_install(
    *,
    part_id: int,
    device: Laser | Handpiece,
    at: datetime,
    note: str,
    actor: Actor,
    now: datetime,
) -> Installation:
    """Install a part in a laser or a handpiece at an instant. Where it sat before, it ends then.

    Needs `part.install` where the device stands. Raises PartUnknown, NotAllowed, InTheFuture,
    PartOutOfService; PartInstalled when it is there already or was installed anywhere at that
    instant or later.
    """
    refuse_future(at, field="installed_at", now=now)
    part = locks.lock_part(pk=part_id, actor=actor)
    actor.require_at(_clinic_of(device), "part.install")
    if part.status != DeviceStatus.ACTIVE:
        raise PartOutOfService(part=part.pk, status=part.status)
    place = {"laser": device} if isinstance(device, Laser) else {"handpiece": device}
    _leave_previous(part, device=device, at=at, actor=actor)
    installation = Installation(
        part=part,
        period=DateTimeTZRange(at, None),
        note=note,
        installed_by_id=actor.staff_id,
        **place,
    )
    with constraint_as(installation_one_place_at_a_time=PartInstalled(part=part.pk)):
        installation.save(force_insert=True)
    return installation


@command
def installation_end(
    *, pk: int, at: datetime, note: str, actor: Actor, now: datetime
) -> Installation:
    """Take a part out at an instant.

    Raises InstallationUnknown, NotAllowed, InTheFuture, InstallationOver, EndsBeforeStart.
    """
    refuse_future(at, field="removed_at", now=now)
    installation = locks.lock_installation(pk=pk, actor=actor)
    actor.require_at(_clinic_of(_device_of(installation)), "part.install")
    if installation.period.upper is not None:
        raise InstallationOver(removed_at=installation.period.upper.isoformat())
    if at <= installation.period.lower:
        raise EndsBeforeStart(field="removed_at", start=installation.period.lower.isoformat())
    _end(installation, at=at, note=note, actor=actor)
    return installation


@step
def _leave_previous(part: Part, *, device: Laser | Handpiece, at: datetime, actor: Actor) -> None:
    """End the installation that holds at the instant. The part is locked."""
    rows = part.installations.filter(period__overlap=DateTimeTZRange(at, None))
    for held in rows.select_related("laser", "handpiece__resource").order_by("period"):
        if held.period.lower >= at or _device_of(held) == device:
            raise PartInstalled(
                part=part.pk,
                laser=held.laser_id,
                handpiece=held.handpiece_id,
                start=held.period.lower.isoformat(),
            )
        actor.require_at(_clinic_of(_device_of(held)), "part.install")
        _end(held, at=at, note="", actor=actor)


@step
def _end(installation: Installation, *, at: datetime, note: str, actor: Actor) -> None:
    installation.period = DateTimeTZRange(installation.period.lower, at)
    installation.removed_by_id = actor.staff_id
    installation.removal_note = note
    installation.save()


def _device_of(installation: Installation) -> Laser | Handpiece:
    device: Laser | Handpiece | None = installation.laser or installation.handpiece
    if device is None:
        raise ValueError("an installation is in one device")
    return device


def _clinic_of(device: Laser | Handpiece) -> int | None:
    return device.clinic_id if isinstance(device, Laser) else device.resource.clinic_id
