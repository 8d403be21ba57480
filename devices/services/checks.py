"""Meters and energy checks; a check that fails locks its line out."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Q

from clinics.access import Actor
from clinics.hours import local_date, zone_named
from clinics.services.changes import changed
from core.db import command, constraint_as, step
from core.vocabulary import DeviceStatus
from devices import locks
from devices.errors import LineNotEmitted, NotFitted
from devices.errors.checks import (
    CertificateExpired,
    CertificateMalformed,
    CheckVerifies,
    CheckVoided,
    MeterOutOfService,
    MeterTaken,
    SettingBeyondLine,
    TooFewReadings,
)
from devices.metrology.readings import check_readings
from devices.models import (
    EmissionLine,
    EnergyCheck,
    EnergyCheckVoid,
    Handpiece,
    Laser,
    LockOut,
    Meter,
    ServiceVisit,
)
from devices.policy import DevicePolicy, device_policy_of
from devices.selectors import is_fitted, lines_of
from devices.services.clock import refuse_future
from devices.services.lock_outs import line_lock_out
from devices.vocabulary import LockOutReason

SLACK_MM = 0.05


@dataclass(frozen=True, slots=True)
class Recorded:
    """A check as it was written, and the lock-out of its line if it failed."""

    check: EnergyCheck
    lock_out: LockOut | None


@command
def meter_create(*, fields: Mapping[str, Any], actor: Actor, now: datetime) -> Meter:
    """Add a meter with its certificate. Raises NotAllowed, MeterTaken, CertificateMalformed."""
    actor.require("meter.write")
    meter = Meter(chain_id=actor.chain_id, **fields)
    _refuse_malformed(meter, today=now.date())
    with constraint_as(meter_serial_once_per_chain=MeterTaken(serial=meter.serial)):
        meter.save(force_insert=True)
    return meter


@command
def meter_change(
    *,
    pk: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Meter:
    """Change a meter, such as to its new certificate; checks keep the one they were made under.

    Raises MeterUnknown, NotAllowed, Stale, MeterTaken, CertificateMalformed.
    """
    actor.require("meter.write")
    meter = locks.lock_meter(pk=pk, actor=actor)
    meter.check_version(expected_version)
    for name, value in changes.items():
        setattr(meter, name, value)
    _refuse_malformed(meter, today=now.date())
    with constraint_as(meter_serial_once_per_chain=MeterTaken(serial=meter.serial)):
        return changed(meter, changes)


@command
def energy_check_record(
    *, laser_id: int, fields: Mapping[str, Any], actor: Actor, now: datetime
) -> Recorded:
    """Record readings of one setting, and lock the line out when their mean is out of tolerance.

    `fields`: line, handpiece, meter, checked_at, set_energy_j, readings_j, spot_mm,
    spot_measured_mm (or None), note. A check that a later passing one has overtaken locks nothing
    out. Raises LaserUnknown, NotAllowed, InTheFuture, TooFewReadings, LineNotEmitted, NotFitted,
    SettingBeyondLine, MeterOutOfService, CertificateExpired.
    """
    refuse_future(fields["checked_at"], field="checked_at", now=now)
    laser = locks.lock_laser(pk=laser_id, actor=actor)
    actor.require_at(laser.clinic_id, "energy_check.write")
    policy = device_policy_of(laser.chain.device_policy)
    meter = locks.lock_meter(pk=fields["meter"].pk, actor=actor)
    _refuse_unfit(laser, fields=fields, policy=policy)
    _refuse_uncertified(meter, day=_local_day(laser, fields["checked_at"]))
    check = _written(laser, meter=meter, fields=fields, policy=policy, actor=actor)
    if check.passed or _overtaken(check):
        return Recorded(check, None)
    lock_out = line_lock_out(
        laser=laser,
        line=check.line,
        reason=LockOutReason.ENERGY_CHECK_FAILED,
        note=f"{check.line.wavelength_nm} nm: {100 * check.deviation:+.1f} % of the setting "
        f"(energy check {check.pk})",
        placed_by_id=actor.staff_id,
        now=now,
    )
    return Recorded(check, lock_out)


@command
def energy_check_void(*, pk: int, reason: str, actor: Actor, now: datetime) -> EnergyCheck:
    """Let a check that was entered in error count no longer; it stays on record.

    Raises EnergyCheckUnknown, NotAllowed, CheckVoided; CheckVerifies when a release or a service
    stands on it. A lock-out that it led to stays until it is released.
    """
    check = locks.lock_energy_check(pk=pk, actor=actor)
    actor.require_at(check.laser.clinic_id, "energy_check.void")
    if LockOut.objects.filter(verification=check).exists() or (
        ServiceVisit.objects.filter(verification=check).exists()
    ):
        raise CheckVerifies(energy_check=check.pk)
    if EnergyCheckVoid.objects.filter(check_row=check).exists():
        raise CheckVoided(energy_check=check.pk)
    void = EnergyCheckVoid(
        check_row=check, reason=reason, voided_by_id=actor.staff_id, voided_at=now
    )
    void.save(force_insert=True)
    return check


@step
def _written(
    laser: Laser,
    *,
    meter: Meter,
    fields: Mapping[str, Any],
    policy: DevicePolicy,
    actor: Actor,
) -> EnergyCheck:
    found = check_readings(
        fields["readings_j"],
        set_energy_j=fields["set_energy_j"],
        spot_mm=fields["spot_mm"],
        spot_measured_mm=fields["spot_measured_mm"],
        tolerance=policy.tolerance,
    )
    check = EnergyCheck(
        **{**fields, "meter": meter},
        laser=laser,
        certificate_number=meter.certificate_number,
        certified_on=meter.certified_on,
        certificate_valid_until=meter.certificate_valid_until,
        checked_by_id=actor.staff_id,
        mean_j=found.mean_j,
        spread_j=found.spread_j,
        deviation=found.deviation,
        tolerance=found.tolerance,
        passed=found.passed,
    )
    check.save(force_insert=True)
    return check


def _refuse_unfit(laser: Laser, *, fields: Mapping[str, Any], policy: DevicePolicy) -> None:
    """Raise unless the line can be set so, through a handpiece that was on the laser then."""
    line: EmissionLine = fields["line"]
    handpiece: Handpiece = fields["handpiece"]
    if len(fields["readings_j"]) < policy.fewest_readings:
        raise TooFewReadings(
            f"A setting is read at least {policy.fewest_readings} times.",
            field="readings",
            fewest=policy.fewest_readings,
        )
    lines = lines_of(handpiece)
    if line.laser_model_id != laser.laser_model_id or line not in lines:
        raise LineNotEmitted(
            line=line.pk, wavelength_nm=line.wavelength_nm, lines=[other.pk for other in lines]
        )
    if not is_fitted(laser=laser, handpiece=handpiece, at=fields["checked_at"]):
        raise NotFitted(laser=laser.pk, handpiece=handpiece.pk, at=fields["checked_at"].isoformat())
    if fields["set_energy_j"] > line.max_energy_j:
        raise SettingBeyondLine(
            f"The line gives {line.max_energy_j:g} J at most.",
            field="set_energy",
            max_energy_j=line.max_energy_j,
        )
    if not any(abs(spot - fields["spot_mm"]) <= SLACK_MM for spot in handpiece.spot_sizes_mm):
        raise SettingBeyondLine(
            "The handpiece has no such spot.",
            field="spot_mm",
            spot_sizes_mm=list(handpiece.spot_sizes_mm),
        )


def _refuse_uncertified(meter: Meter, *, day: date) -> None:
    if meter.status != DeviceStatus.ACTIVE:
        raise MeterOutOfService(meter=meter.pk, status=meter.status)
    if not meter.certified_on <= day <= meter.certificate_valid_until:
        raise CertificateExpired(
            meter=meter.pk,
            day=day.isoformat(),
            certified_on=meter.certified_on.isoformat(),
            certificate_valid_until=meter.certificate_valid_until.isoformat(),
        )


def _refuse_malformed(meter: Meter, *, today: date) -> None:
    if meter.certified_on > today or meter.certificate_valid_until < meter.certified_on:
        raise CertificateMalformed(
            certified_on=meter.certified_on.isoformat(),
            certificate_valid_until=meter.certificate_valid_until.isoformat(),
        )


def _overtaken(check: EnergyCheck) -> bool:
    """Whether a check of the same line and handpiece that was made later has passed."""
    later = EnergyCheck.objects.counting().filter(
        Q(checked_at__gt=check.checked_at),
        laser=check.laser_id,
        line=check.line_id,
        handpiece=check.handpiece_id,
        passed=True,
    )
    return bool(later.exists())


def _local_day(laser: Laser, at: datetime) -> date:
    return local_date(at, zone_named(laser.clinic.time_zone))
