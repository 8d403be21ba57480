"""Laser models, their emission lines, and which models a credential covers."""

from collections.abc import Mapping
from typing import Any, Final

from clinics.access import Actor
from clinics.models import Credential
from clinics.services.changes import changed
from core.db import command, constraint_as
from devices import locks
from devices.errors import AuthorisationTaken, InUse, LinesMalformed, LineTaken, NameTaken
from devices.models import EmissionLine, LaserAuthorisation, LaserModel

WHAT_A_LINE_IS: Final = frozenset({"wavelength_nm", "pulse_min_ns", "pulse_max_ns"})


@command
def laser_model_create(*, name: str, actor: Actor) -> LaserModel:
    """Add a laser model to the actor's chain. Raises NotAllowed, NameTaken."""
    actor.require("laser_model.write")
    model = LaserModel(chain_id=actor.chain_id, name=name)
    with constraint_as(lasermodel_name_once_per_chain=NameTaken):
        model.save(force_insert=True)
    return model


@command
def laser_model_change(
    *, pk: int, changes: Mapping[str, Any], expected_version: int | None, actor: Actor
) -> LaserModel:
    """Rename a laser model. Raises LaserModelUnknown, NotAllowed, Stale, NameTaken."""
    actor.require("laser_model.write")
    model = locks.lock_laser_model(pk=pk, actor=actor)
    model.check_version(expected_version)
    with constraint_as(lasermodel_name_once_per_chain=NameTaken):
        return changed(model, changes)


@command
def laser_model_remove(*, pk: int, expected_version: int | None, actor: Actor) -> None:
    """Remove a laser model and its lines. Raises LaserModelUnknown, NotAllowed, Stale, InUse."""
    actor.require("laser_model.write")
    model = locks.lock_laser_model(pk=pk, actor=actor)
    model.check_version(expected_version)
    refuse_in_use(lasers=model.lasers, handpieces=_handpieces_of(model.lines))
    model.delete()


@command
def emission_line_create(
    *, laser_model: LaserModel, fields: Mapping[str, Any], actor: Actor
) -> EmissionLine:
    """Add a line to a laser model. Raises NotAllowed, LinesMalformed, LineTaken."""
    actor.require("laser_model.write")
    locks.lock_laser_model(pk=laser_model.pk, actor=actor)
    line = EmissionLine(laser_model=laser_model, **fields)
    _refuse_malformed(line)
    with constraint_as(emissionline_once_per_model=LineTaken):
        line.save(force_insert=True)
    return line


@command
def emission_line_change(
    *, pk: int, changes: Mapping[str, Any], expected_version: int | None, actor: Actor
) -> EmissionLine:
    """Change the limits of a line.

    Raises LineUnknown, NotAllowed, Stale, LinesMalformed, LineTaken; InUse when its wavelength or
    pulse duration is to change although handpieces or pulses stand on it, and when a spot is to go
    that a handpiece has.
    """
    actor.require("laser_model.write")
    line = locks.lock_line(pk=pk, actor=actor)
    line.check_version(expected_version)
    if any(changes[name] != getattr(line, name) for name in WHAT_A_LINE_IS & changes.keys()):
        refuse_in_use(handpieces=line.handpieces, pulse_entries=line.pulse_entries)
    _refuse_spot_in_use(line, spots=set(changes.get("spot_sizes_mm", line.spot_sizes_mm)))
    for name, value in changes.items():
        setattr(line, name, value)
    _refuse_malformed(line)
    with constraint_as(emissionline_once_per_model=LineTaken):
        line.save()
    return line


@command
def emission_line_remove(*, pk: int, expected_version: int | None, actor: Actor) -> None:
    """Remove a line nothing stands on. Raises LineUnknown, NotAllowed, Stale, InUse."""
    actor.require("laser_model.write")
    line = locks.lock_line(pk=pk, actor=actor)
    line.check_version(expected_version)
    refuse_in_use(handpieces=line.handpieces, pulse_entries=line.pulse_entries)
    line.delete()


@command
def laser_authorisation_create(
    *, credential: Credential, laser_model: LaserModel, actor: Actor
) -> LaserAuthorisation:
    """Narrow a credential to this laser model (and any others named so).

    Raises NotAllowed, AuthorisationTaken.
    """
    actor.require("credential.write")
    row = LaserAuthorisation(credential=credential, laser_model=laser_model)
    with constraint_as(laserauthorisation_once=AuthorisationTaken):
        row.save(force_insert=True)
    return row


@command
def laser_authorisation_remove(*, authorisation: LaserAuthorisation, actor: Actor) -> None:
    """Take a laser model from a credential. Raises NotAllowed.

    Removing the last one would widen the credential to every model, so it is refused (InUse):
    end the credential instead.
    """
    actor.require("credential.write")
    siblings = LaserAuthorisation.objects.filter(credential=authorisation.credential_id)
    locks.lock_credential(pk=authorisation.credential_id, actor=actor)
    if not siblings.exclude(pk=authorisation.pk).exists():
        raise InUse(
            "Without this row the credential would cover every laser model. "
            "Name another model first, or end the credential.",
            credential=authorisation.credential_id,
        )
    authorisation.delete()


def refuse_in_use(**standing: Any) -> None:
    """Raise InUse naming each kind of record that still stands on the row.

    `standing`: kind -> queryset or related manager of the records of that kind.
    """
    if kinds := sorted(kind for kind, rows in standing.items() if rows.exists()):
        raise InUse(f"Still in use by: {', '.join(kinds)}.", used_by=kinds)


def _handpieces_of(lines: Any) -> Any:
    return lines.filter(handpieces__isnull=False)


def _refuse_malformed(line: EmissionLine) -> None:
    if line.pulse_max_ns < line.pulse_min_ns:
        raise LinesMalformed(
            "The longest pulse is shorter than the shortest one.", field="pulse_max_ns"
        )


def _refuse_spot_in_use(line: EmissionLine, *, spots: set[float]) -> None:
    """Raise InUse when a handpiece would keep a spot that none of its lines has any longer."""
    gone = set(line.spot_sizes_mm) - spots
    for handpiece in line.handpieces.prefetch_related("lines") if gone else ():
        others = [other for other in handpiece.lines.all() if other.pk != line.pk]
        kept = {spot for other in others for spot in other.spot_sizes_mm}
        if lost := sorted((gone & set(handpiece.spot_sizes_mm)) - kept):
            raise InUse(
                f"Handpiece {handpiece.serial} has the spot sizes {lost} mm through this line.",
                used_by=["handpieces"],
                handpiece=handpiece.pk,
                spot_sizes_mm=lost,
            )
