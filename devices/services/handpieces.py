"""Handpieces: into the chain, what they pass, out of service."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from clinics.access import Actor
from clinics.models import Clinic, Resource
from clinics.services.organisation import refuse_visits_ahead
from clinics.vocabulary import ResourceKind
from core.db import command, constraint_as, step
from core.vocabulary import DeviceStatus
from devices import locks, selectors
from devices.errors import LinesMalformed, SerialTaken, SpotNotListed
from devices.models import EmissionLine, Handpiece
from devices.services.models import refuse_in_use


@command
def handpiece_create(
    *, clinic: Clinic, line_ids: Sequence[int], fields: Mapping[str, Any], actor: Actor
) -> Handpiece:
    """Add a handpiece, kept at a clinic, and the resource that bookings lock.

    `fields`: serial, spot_sizes_mm, counter_at_start, rated_life_pulses, rated_life_months. Its
    lines are lines of one laser model, its spots are spots of these lines. Raises NotAllowed,
    LineUnknown, LinesMalformed, SpotNotListed, SerialTaken.
    """
    actor.require_at(clinic.pk, "device.write")
    lines = locks.lock_lines(line_ids, actor=actor)
    refuse_unfit_lines(lines, spots=fields["spot_sizes_mm"])
    resource = Resource.objects.create(
        chain_id=clinic.chain_id, clinic=clinic, kind=ResourceKind.HANDPIECE
    )
    handpiece = Handpiece(chain_id=clinic.chain_id, resource=resource, **fields)
    with constraint_as(handpiece_serial_once_per_chain=SerialTaken(serial=handpiece.serial)):
        handpiece.save(force_insert=True)
    handpiece.lines.set(lines)
    return handpiece


@command
def handpiece_change(
    *,
    pk: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Handpiece:
    """Change a handpiece; `changes` may hold `line_ids`.

    Raises HandpieceUnknown, NotAllowed, Stale, LineUnknown, LinesMalformed, SpotNotListed,
    SerialTaken; InUse when a line is to go that it has fired on, when it is to leave service while
    fitted, or to count as an error although it has fired; VisitsInTheWay when it is to leave
    service while visits are booked on it.
    """
    changes = dict(changes)
    wanted = locks.lock_lines(changes.pop("line_ids", ()), actor=actor)
    handpiece = locks.lock_handpiece(pk=pk, actor=actor)
    actor.require_at(handpiece.resource.clinic_id, "device.write")
    handpiece.check_version(expected_version)
    had = selectors.lines_of(handpiece)
    lines = wanted or had
    refuse_unfit_lines(lines, spots=changes.get("spot_sizes_mm", handpiece.spot_sizes_mm))
    if wanted:
        _refuse_lines_in_use(handpiece, had=had, wanted=wanted, now=now)
    if wanted and {line.pk for line in wanted} != {line.pk for line in had}:
        handpiece.lines.set(wanted)
        handpiece.note_change()
    status = changes.get("status", handpiece.status)
    if status not in {DeviceStatus.ACTIVE, handpiece.status}:
        _refuse_retirement(handpiece, status=status, now=now)
    for name, value in changes.items():
        setattr(handpiece, name, value)
    with constraint_as(handpiece_serial_once_per_chain=SerialTaken):
        handpiece.save()
    return handpiece


def refuse_unfit_lines(lines: Sequence[EmissionLine], *, spots: Iterable[float]) -> None:
    """Raise unless the lines are of one laser model and have every one of the spots (mm).

    LinesMalformed for no line or lines of several models; SpotNotListed with the spots there are.
    """
    models = sorted({line.laser_model_id for line in lines})
    if len(models) != 1:
        raise LinesMalformed(
            "A handpiece has lines of one laser model, at least one.", laser_models=models
        )
    listed = sorted({spot for line in lines for spot in line.spot_sizes_mm})
    if unlisted := sorted(set(spots) - set(listed)):
        raise SpotNotListed(
            f"The lines have the spot sizes {listed} mm, not {unlisted}.",
            spot_sizes_mm=listed,
            refused_mm=unlisted,
        )


@step
def _refuse_lines_in_use(
    handpiece: Handpiece,
    *,
    had: Sequence[EmissionLine],
    wanted: Sequence[EmissionLine],
    now: datetime,
) -> None:
    gone = {line.pk for line in had} - {line.pk for line in wanted}
    refuse_in_use(pulse_entries=handpiece.pulse_entries.filter(line__in=gone))
    if wanted[0].laser_model_id != had[0].laser_model_id:
        refuse_in_use(fittings=handpiece.fittings.holding_at(now))


@step
def _refuse_retirement(handpiece: Handpiece, *, status: str, now: datetime) -> None:
    if status == DeviceStatus.ENTERED_IN_ERROR:
        refuse_in_use(pulse_entries=handpiece.pulse_entries)
    refuse_visits_ahead([handpiece.resource_id], now=now)
    refuse_in_use(fittings=handpiece.fittings.holding_at(now))
