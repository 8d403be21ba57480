"""The chain, its clinics and their rooms."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from django.conf import settings
from django.utils.module_loading import import_string

from clinics import locks, selectors
from clinics.access import Actor
from clinics.errors import ClinicNameTaken, PolicyInvalid, RoomNameTaken, VisitsInTheWay
from clinics.models import Chain, Clinic, Resource, Room
from clinics.services.changes import changed
from clinics.vocabulary import ResourceKind
from core.db import command, constraint_as, step

POLICIES: Final = frozenset(
    {"device_policy", "healing_policy", "retention_policy", "search_policy"}
)


@command
def chain_change(
    *, changes: Mapping[str, Any], expected_version: int | None, actor: Actor
) -> Chain:
    """Change the actor's own chain; only a role held for the whole chain may.

    Raises NotAllowed, Stale and PolicyInvalid.
    """
    actor.require("chain.write")
    chain = locks.lock_chain(actor=actor)
    chain.check_version(expected_version)
    for name in sorted(POLICIES & changes.keys()):
        check_policy(name, changes[name])
    return changed(chain, changes)


def check_policy(name: str, value: Mapping[str, Any]) -> None:
    """Raise PolicyInvalid unless the policy can be kept.

    What a policy may say is known to the app that uses it: `settings.FALLOW_POLICY_CHECKS` names
    for each policy a function of its value that raises ValueError. The error may carry `field`
    (which key of the policy) and `rule` (a stable code).
    """
    check = getattr(settings, "FALLOW_POLICY_CHECKS", {}).get(name)
    if check is None:
        return
    try:
        import_string(check)(value)
    except ValueError as fault:
        key = getattr(fault, "field", "")
        error = {
            "pointer": f"/{name}/{key}" if key else f"/{name}",
            "code": getattr(fault, "rule", "invalid"),
            "detail": str(fault),
        }
        raise PolicyInvalid(str(fault), errors=[error]) from fault


@command
def clinic_create(*, fields: Mapping[str, Any], actor: Actor) -> Clinic:
    """Add a clinic to the actor's chain; only a role held for the whole chain may.

    Raises NotAllowed and ClinicNameTaken.
    """
    actor.require("chain.write")
    clinic = Clinic(chain_id=actor.chain_id, **fields)
    with constraint_as(clinic_name_once_per_chain=ClinicNameTaken):
        clinic.save(force_insert=True)
    return clinic


@command
def clinic_change(
    *,
    pk: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Clinic:
    """Change a clinic. Raises ClinicUnknown, NotAllowed, Stale, ClinicNameTaken.

    VisitsInTheWay when it is to close down, or to keep another clock, while visits are booked.
    """
    clinic = locks.lock_clinic(pk=pk, actor=actor)
    actor.require_at(clinic.pk, "organisation.write")
    clinic.check_version(expected_version)
    if _closes(changes) or changes.get("time_zone", clinic.time_zone) != clinic.time_zone:
        refuse_visits_ahead(selectors.room_resources_of(clinic), now=now)
    with constraint_as(clinic_name_once_per_chain=ClinicNameTaken):
        return changed(clinic, changes)


@command
def room_create(*, clinic: Clinic, fields: Mapping[str, Any], actor: Actor) -> Room:
    """Add a room, and the resource that bookings lock. Raises NotAllowed, RoomNameTaken."""
    actor.require_at(clinic.pk, "organisation.write")
    resource = Resource.objects.create(
        chain_id=clinic.chain_id, clinic=clinic, kind=ResourceKind.ROOM
    )
    room = Room(clinic=clinic, resource=resource, **fields)
    with constraint_as(room_name_once_per_clinic=RoomNameTaken):
        room.save(force_insert=True)
    return room


@command
def room_change(
    *,
    pk: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Room:
    """Change a room. Raises RoomUnknown, NotAllowed, Stale, RoomNameTaken.

    VisitsInTheWay when it is to be given up while visits are booked in it.
    """
    room = locks.lock_room(pk=pk, actor=actor)
    actor.require_at(room.clinic_id, "organisation.write")
    room.check_version(expected_version)
    if _closes(changes):
        refuse_visits_ahead([room.resource_id], now=now)
    with constraint_as(room_name_once_per_clinic=RoomNameTaken):
        return changed(room, changes)


@step
def refuse_visits_ahead(resource_ids: list[int], *, now: datetime) -> None:
    """Lock the resources; raise VisitsInTheWay when visits from `now` on are booked on them."""
    locks.lock_resources(resource_ids)
    sources = selectors.visits_ahead(resource_ids, now=now).values_list("source", flat=True)
    if found := sorted(set(sources)):
        raise VisitsInTheWay(sources=found)


def _closes(changes: Mapping[str, Any]) -> bool:
    return changes.get("active", True) is False
