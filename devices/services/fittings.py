"""Which handpiece is on which laser, and since when."""

from datetime import datetime

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.access import Actor
from clinics.locks import lock_resources
from clinics.models import Clinic, Resource
from core.db import command, constraint_as, step
from core.vocabulary import DeviceStatus
from devices import locks, selectors
from devices.errors import (
    DeviceInactive,
    EndsBeforeStart,
    FittingOver,
    HandpieceFitted,
    LinesDiffer,
    PulsesAfter,
)
from devices.models import Fitting, Handpiece, Laser
from devices.services.clock import refuse_future


@command
def fitting_start(
    *, laser_id: int, handpiece_id: int, at: datetime, actor: Actor, now: datetime
) -> Fitting:
    """Fit a handpiece to a laser at an instant; its fitting to another laser ends then.

    Needs `fitting.write` where either laser stands. Raises LaserUnknown, HandpieceUnknown,
    NotAllowed, InTheFuture, DeviceInactive, LinesDiffer; HandpieceFitted when it is on this laser
    already or was fitted anywhere at that instant or later; PulsesAfter when pulses were fired
    through it since.
    """
    refuse_future(at, field="fitted_at", now=now)
    laser = locks.lock_laser(pk=laser_id, actor=actor)
    handpiece = locks.lock_handpiece(pk=handpiece_id, actor=actor)
    actor.require_at(laser.clinic_id, "fitting.write")
    _refuse_inactive(laser, handpiece)
    _refuse_other_lines(laser, handpiece)
    _leave_previous(handpiece, laser=laser, at=at, actor=actor)
    fitting = Fitting(laser=laser, handpiece=handpiece, period=DateTimeTZRange(at, None))
    with constraint_as(fitting_one_laser_at_a_time=HandpieceFitted(handpiece=handpiece.pk)):
        fitting.save(force_insert=True)
    _stand_at(laser.clinic, handpiece)
    return fitting


@command
def fitting_end(*, pk: int, at: datetime, actor: Actor, now: datetime) -> Fitting:
    """Take a handpiece off its laser at an instant.

    Raises FittingUnknown, NotAllowed, InTheFuture, FittingOver, EndsBeforeStart, PulsesAfter.
    """
    refuse_future(at, field="ended_at", now=now)
    fitting = locks.lock_fitting(pk=pk, actor=actor)
    actor.require_at(fitting.laser.clinic_id, "fitting.write")
    if fitting.period.upper is not None:
        raise FittingOver(ended_at=fitting.period.upper.isoformat())
    if at <= fitting.period.lower:
        raise EndsBeforeStart(field="ended_at", start=fitting.period.lower.isoformat())
    _end(fitting, at=at)
    return fitting


@step
def _leave_previous(handpiece: Handpiece, *, laser: Laser, at: datetime, actor: Actor) -> None:
    """End the fitting that holds at the instant. The handpiece is locked."""
    for fitting in selectors.fittings_from(handpiece=handpiece, at=at):
        if fitting.period.lower >= at or fitting.laser_id == laser.pk:
            raise HandpieceFitted(
                handpiece=handpiece.pk,
                laser=fitting.laser_id,
                start=fitting.period.lower.isoformat(),
            )
        actor.require_at(fitting.laser.clinic_id, "fitting.write")
        _end(fitting, at=at)


@step
def _end(fitting: Fitting, *, at: datetime) -> None:
    if selectors.fired_through_since(handpiece_id=fitting.handpiece_id, at=at):
        raise PulsesAfter(handpiece=fitting.handpiece_id, at=at.isoformat())
    fitting.period = DateTimeTZRange(fitting.period.lower, at)
    fitting.save()


@step
def _stand_at(clinic: Clinic, handpiece: Handpiece) -> None:
    """The handpiece stands where its laser stands."""
    if handpiece.resource.clinic_id != clinic.pk:
        lock_resources([handpiece.resource_id])
        Resource.objects.filter(pk=handpiece.resource_id).update(clinic=clinic)


def _refuse_inactive(laser: Laser, handpiece: Handpiece) -> None:
    for kind, device in (("laser", laser), ("handpiece", handpiece)):
        if device.status != DeviceStatus.ACTIVE:
            raise DeviceInactive(f"The {kind} is {device.status}.", **{kind: device.pk})


def _refuse_other_lines(laser: Laser, handpiece: Handpiece) -> None:
    lines = selectors.lines_of(handpiece)
    if other := [line for line in lines if line.laser_model_id != laser.laser_model_id]:
        raise LinesDiffer(
            lines=[line.pk for line in other],
            wavelengths_nm=[line.wavelength_nm for line in other],
            laser_model=laser.laser_model_id,
        )
