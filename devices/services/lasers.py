"""Lasers: into the chain, from clinic to clinic, out of service."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from clinics.access import Actor
from clinics.models import Clinic, Resource, Room
from clinics.services.changes import changed
from clinics.services.organisation import refuse_visits_ahead
from clinics.vocabulary import ResourceKind
from core.db import command, constraint_as, step
from core.vocabulary import DeviceStatus
from devices import locks, selectors
from devices.errors import RoomElsewhere, SerialTaken
from devices.models import Laser
from devices.services.models import refuse_in_use


@command
def laser_create(*, clinic: Clinic, fields: Mapping[str, Any], actor: Actor) -> Laser:
    """Add a laser to a clinic, and the resource that bookings lock.

    `fields`: laser_model, serial, label, room (None: mobile). Raises NotAllowed, RoomElsewhere,
    SerialTaken.
    """
    actor.require_at(clinic.pk, "device.write")
    _refuse_room_elsewhere(fields.get("room"), clinic=clinic)
    resource = Resource.objects.create(
        chain_id=clinic.chain_id, clinic=clinic, kind=ResourceKind.LASER
    )
    laser = Laser(chain_id=clinic.chain_id, clinic=clinic, resource=resource, **fields)
    with constraint_as(laser_serial_once_per_model=SerialTaken(serial=laser.serial)):
        laser.save(force_insert=True)
    return laser


@command
def laser_change(
    *,
    pk: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Laser:
    """Change a laser: its label, room, clinic (fitted handpieces go with it) or status.

    A move to another clinic needs `device.write` at both and leaves the room, unless a new one is
    named. Raises LaserUnknown, NotAllowed, Stale, RoomElsewhere, SerialTaken; VisitsInTheWay when
    visits are booked on a laser that is to leave its clinic or its service; InUse when it is to
    leave service with a handpiece on it, or to count as an error although it has fired.
    """
    laser = locks.lock_laser(pk=pk, actor=actor)
    actor.require_at(laser.clinic_id, "device.write")
    laser.check_version(expected_version)
    clinic = changes.get("clinic", laser.clinic)
    if clinic.pk != laser.clinic_id:
        actor.require_at(clinic.pk, "device.write")
        changes = {"room": None, **changes}
        _move(laser, clinic=clinic, now=now)
    _refuse_room_elsewhere(changes.get("room", laser.room), clinic=clinic)
    status = changes.get("status", laser.status)
    if status not in {DeviceStatus.ACTIVE, laser.status}:
        _refuse_retirement(laser, status=status, now=now)
    with constraint_as(laser_serial_once_per_model=SerialTaken):
        return changed(laser, changes)


@step
def _move(laser: Laser, *, clinic: Clinic, now: datetime) -> None:
    """Let the laser and what is fitted to it stand at the clinic. Raises VisitsInTheWay."""
    on_it = locks.lock_handpieces(selectors.fitted_to(laser, at=now))
    resources = [laser.resource_id, *(handpiece.resource_id for handpiece in on_it)]
    refuse_visits_ahead(resources, now=now)
    Resource.objects.filter(pk__in=resources).update(clinic=clinic)


@step
def _refuse_retirement(laser: Laser, *, status: str, now: datetime) -> None:
    if status == DeviceStatus.ENTERED_IN_ERROR:
        refuse_in_use(pulse_entries=laser.pulse_entries)
    refuse_visits_ahead([laser.resource_id], now=now)
    refuse_in_use(fittings=laser.fittings.holding_at(now))


def _refuse_room_elsewhere(room: Room | None, *, clinic: Clinic) -> None:
    if room is not None and room.clinic_id != clinic.pk:
        raise RoomElsewhere(room=room.pk, clinic=clinic.pk)
