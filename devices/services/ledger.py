"""The ledger of pulses: what was fired, and signed corrections. It only grows."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from clinics.access import Actor
from core.db import command, constraint_as, step
from core.vocabulary import DeviceStatus
from devices import locks, selectors
from devices.errors import (
    CorrectionEmpty,
    CorrectionOfCorrection,
    CorrectionTooLarge,
    DeviceInactive,
    EntryKeyReused,
    LineNotEmitted,
    MayNotFire,
    PulsesNotPositive,
    PurposeNotAllowed,
    SettingIncomplete,
)
from devices.metrology import FiringSetting
from devices.models import EmissionLine, Handpiece, Laser, PulseEntry
from devices.models.ledger import SETTING
from devices.services.clock import refuse_future
from devices.services.firing import (
    refuse_beyond_line,
    refuse_beyond_time,
    refuse_unfitted,
    set_as,
    setting_of,
)
from devices.vocabulary import PulsePurpose

ENTERED_BY_HAND: Final = frozenset({PulsePurpose.TEST_FIRE, PulsePurpose.CALIBRATION})


@step
def pulse_entry_append(  # noqa: PLR0913 - one row of the ledger, column by column
    *,
    laser: Laser,
    handpiece: Handpiece,
    line: EmissionLine,
    pulses: int,
    purpose: PulsePurpose,
    operator_id: int,
    fired_at: datetime,
    source: str,
    entry_key: str,
    now: datetime,
    ended_at: datetime | None = None,
    setting: FiringSetting | None = None,
    while_locked_out: bool = False,
) -> PulseEntry:
    """Write pulses into the ledger, once for each `entry_key` of a laser.

    With a `setting`, energies, area and power are derived and stored; with `ended_at`, the pulses
    must fit the time. The same entry again gives the row there is; another under the same key
    raises EntryKeyReused. `while_locked_out` lets test fires and calibration pass a lock-out;
    treatment never does. Raises PulsesNotPositive, PurposeNotAllowed (a correction), InTheFuture,
    DeviceInactive, LineNotEmitted, NotFitted, BeyondLine, SpotNotListed, FiringEndsFirst,
    PulsesBeyondTime, MayNotFire. Locks the laser and the handpiece.
    """
    if pulses <= 0:
        raise PulsesNotPositive(field="pulses", pulses=pulses)
    if purpose == PulsePurpose.CORRECTION:
        raise PurposeNotAllowed(field="purpose", purpose=purpose)
    refuse_future(fired_at, field="fired_at", now=now)
    if ended_at is not None:
        refuse_future(ended_at, field="ended_at", now=now)
    laser = locks.lock_laser(pk=laser.pk, actor=laser)
    handpiece = locks.lock_handpiece(pk=handpiece.pk, actor=laser)
    entry = PulseEntry(
        laser=laser,
        handpiece=handpiece,
        line=line,
        pulses=pulses,
        purpose=purpose,
        operator_id=operator_id,
        fired_at=fired_at,
        ended_at=ended_at,
        source=source,
        entry_key=entry_key,
    )
    set_as(entry, setting=setting)
    if written := _written_before(entry):
        return written
    _refuse_unfit(entry)
    refuse_beyond_line(entry)
    refuse_beyond_time(entry)
    _refuse_locked_out(entry, while_locked_out=while_locked_out)
    return _write(entry)


@command
def pulse_entry_record(
    *, laser_id: int, fields: Mapping[str, Any], entry_key: str, actor: Actor, now: datetime
) -> PulseEntry:
    """Enter a test fire or a calibration by hand.

    `fields`: handpiece, line, pulses, purpose, operator (a member of staff; None: the actor),
    fired_at (None: now), ended_at, and spot_mm, fluence_j_cm2 and rate_hz together. While the
    laser is locked out only who may release it may enter them. Raises LaserUnknown, NotAllowed,
    PurposeNotAllowed, SettingIncomplete and what `pulse_entry_append` raises.
    """
    laser = locks.lock_laser(pk=laser_id, actor=actor)
    actor.require_at(laser.clinic_id, "pulse_entry.write")
    if fields["purpose"] not in ENTERED_BY_HAND:
        raise PurposeNotAllowed(field="purpose", allowed=sorted(ENTERED_BY_HAND))
    operator = fields.get("operator")
    return pulse_entry_append(
        laser=laser,
        handpiece=fields["handpiece"],
        line=fields["line"],
        pulses=fields["pulses"],
        purpose=PulsePurpose(fields["purpose"]),
        operator_id=operator.pk if operator else actor.staff_id,
        fired_at=fields.get("fired_at") or now,
        ended_at=fields.get("ended_at"),
        setting=_setting(fields),
        source="",
        entry_key=entry_key,
        now=now,
        while_locked_out=actor.may("lock_out.release", clinic_id=laser.clinic_id),
    )


@command
def pulse_entry_correct(
    *, entry: PulseEntry, pulses: int, reason: str, entry_key: str, actor: Actor
) -> PulseEntry:
    """Correct an entry by a signed number of pulses, with a reason; the entry stays as it is.

    The correction counts at the instant of the entry; its operator is who corrects. Raises
    LaserUnknown, NotAllowed, CorrectionEmpty, CorrectionOfCorrection, EntryKeyReused, and
    CorrectionTooLarge when fewer than zero pulses would be left.
    """
    laser = locks.lock_laser(pk=entry.laser_id, actor=actor)
    actor.require_at(laser.clinic_id, "pulse_entry.correct")
    return _correct(entry, pulses=pulses, reason=reason, entry_key=entry_key, actor=actor)


@step
def pulse_entry_take_back(
    *, entry: PulseEntry, reason: str, entry_key: str, actor: Actor
) -> PulseEntry | None:
    """Correct an entry by all that is left of it: its record was entered in error.

    For the app that owns the record behind the entry, which has decided that the actor may.
    None when nothing is left. Raises LaserUnknown, CorrectionEmpty without a reason and
    EntryKeyReused. Locks the laser.
    """
    locks.lock_laser(pk=entry.laser_id, actor=actor)
    left = selectors.pulses_after_corrections(entry)
    if left == 0:
        return None
    return _correct(entry, pulses=-left, reason=reason, entry_key=entry_key, actor=actor)


def _setting(fields: Mapping[str, Any]) -> FiringSetting | None:
    missing = [name for name in SETTING if fields.get(name) is None]
    if len(missing) == len(SETTING):
        return None
    if missing:
        raise SettingIncomplete(field=missing[0], missing=missing)
    return FiringSetting(*(fields[name] for name in SETTING))


@step
def _correct(
    entry: PulseEntry, *, pulses: int, reason: str, entry_key: str, actor: Actor
) -> PulseEntry:
    """Write the correction of an entry. The laser is locked."""
    if pulses == 0 or not reason.strip():
        raise CorrectionEmpty
    if entry.corrects_id is not None:
        raise CorrectionOfCorrection(corrects=entry.corrects_id)
    correction = PulseEntry(
        laser_id=entry.laser_id,
        handpiece_id=entry.handpiece_id,
        line_id=entry.line_id,
        pulses=pulses,
        purpose=PulsePurpose.CORRECTION,
        operator_id=actor.staff_id,
        fired_at=entry.fired_at,
        corrects=entry,
        reason=reason.strip(),
        source=entry.source,
        entry_key=entry_key,
    )
    set_as(correction, setting=setting_of(entry))
    if written := _written_before(correction):
        return written
    left = selectors.pulses_after_corrections(entry)
    if left + pulses < 0:
        raise CorrectionTooLarge(
            f"{left} pulses are left of the entry.", pulses=pulses, pulses_left=left
        )
    return _write(correction)


SAME_ENTRY: Final = (
    "handpiece_id",
    "line_id",
    "pulses",
    "purpose",
    "operator_id",
    "fired_at",
    "ended_at",
    *SETTING,
    "corrects_id",
    "reason",
    "source",
)


@step
def _written_before(entry: PulseEntry) -> PulseEntry | None:
    """The row this key wrote before; None when it wrote none. The laser is locked."""
    rows = PulseEntry.objects.filter(laser=entry.laser_id, entry_key=entry.entry_key)
    written: PulseEntry
    for written in rows:
        if differs := [
            name for name in SAME_ENTRY if getattr(written, name) != getattr(entry, name)
        ]:
            raise EntryKeyReused(
                pulse_entry=written.pk, differs=[name.removesuffix("_id") for name in differs]
            )
        return written
    return None


@step
def _write(entry: PulseEntry) -> PulseEntry:
    with constraint_as(pulseentry_key_once=EntryKeyReused):
        entry.save(force_insert=True)
    return entry


@step
def _refuse_unfit(entry: PulseEntry) -> None:
    """Raise unless laser, handpiece and line can have fired together at that instant."""
    laser, handpiece, line = entry.laser, entry.handpiece, entry.line
    for kind, device in (("laser", laser), ("handpiece", handpiece)):
        if device.status != DeviceStatus.ACTIVE:
            raise DeviceInactive(f"The {kind} is {device.status}.", **{kind: device.pk})
    lines = selectors.lines_of(handpiece)
    if line.laser_model_id != laser.laser_model_id or line not in lines:
        raise LineNotEmitted(
            line=line.pk,
            wavelength_nm=line.wavelength_nm,
            lines=[other.pk for other in lines if other.laser_model_id == laser.laser_model_id],
        )
    refuse_unfitted(entry)


@step
def _refuse_locked_out(entry: PulseEntry, *, while_locked_out: bool) -> None:
    if while_locked_out and entry.purpose in ENTERED_BY_HAND:
        return
    lock_out = selectors.lock_out_at(laser=entry.laser, at=entry.fired_at, line=entry.line)
    if lock_out is not None:
        raise MayNotFire(
            laser=entry.laser_id, lock_out=lock_out.pk, reason=lock_out.reason, note=lock_out.note
        )
