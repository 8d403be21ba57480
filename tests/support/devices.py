"""Builders of lasers, handpieces and what is recorded about them; invented, as small as needed."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.models import Chain, Clinic, StaffMember
from clinics.vocabulary import ResourceKind
from devices.models import (
    EmissionLine,
    Eyewear,
    EyewearPolicy,
    Fitting,
    Handpiece,
    Laser,
    LaserModel,
    LockOut,
    PulseEntry,
)
from devices.vocabulary import LockOutReason, PulsePurpose
from tests.support.factories import (
    LONG_AGO,
    make_chain,
    make_clinic,
    make_resource,
    make_staff,
    number,
)

LINES_NM = (532, 1064)


def make_line(laser_model: LaserModel, wavelength_nm: int = 1064, **fields: Any) -> EmissionLine:
    """A nanosecond line of 1 J and 10 Hz with spots of 2, 3 and 4 mm."""
    defaults = {
        "pulse_min_ns": 6.0,
        "pulse_max_ns": 8.0,
        "spot_sizes_mm": [2.0, 3.0, 4.0],
        "max_energy_j": 1.0,
        "max_rate_hz": 10.0,
    }
    return EmissionLine.objects.create(
        laser_model=laser_model, wavelength_nm=wavelength_nm, **{**defaults, **fields}
    )


def make_laser_model(
    chain: Chain | None = None, *, lines_nm: Sequence[int] = LINES_NM, **fields: Any
) -> LaserModel:
    """A laser model with these lines."""
    model = LaserModel.objects.create(
        chain=chain or make_chain(), **{"name": f"Model {number()}", **fields}
    )
    for wavelength_nm in lines_nm:
        make_line(model, wavelength_nm)
    return model


def make_laser(
    clinic: Clinic | None = None,
    *,
    laser_model: LaserModel | None = None,
    lines_nm: Sequence[int] = LINES_NM,
    **fields: Any,
) -> Laser:
    """A mobile laser at the clinic, of a model of its own unless one is given."""
    clinic = clinic or make_clinic(laser_model.chain if laser_model else None)
    return Laser.objects.create(
        chain=clinic.chain,
        clinic=clinic,
        resource=make_resource(clinic.chain, ResourceKind.LASER, clinic=clinic),
        laser_model=laser_model or make_laser_model(clinic.chain, lines_nm=lines_nm),
        **{"serial": f"L-{number()}", **fields},
    )


def make_handpiece(
    laser_model: LaserModel, *, clinic: Clinic | None = None, **fields: Any
) -> Handpiece:
    """A handpiece for every line of the model, with spots of 2 and 3 mm; not fitted."""
    defaults = {"serial": f"H-{number()}", "spot_sizes_mm": [2.0, 3.0]}
    handpiece = Handpiece.objects.create(
        chain=laser_model.chain,
        resource=make_resource(laser_model.chain, ResourceKind.HANDPIECE, clinic=clinic),
        **{**defaults, **fields},
    )
    handpiece.lines.set(laser_model.lines.all())
    return handpiece


def fit(
    handpiece: Handpiece, laser: Laser, *, since: datetime = LONG_AGO, until: datetime | None = None
) -> Fitting:
    """The handpiece is on the laser from `since` on."""
    return Fitting.objects.create(
        handpiece=handpiece, laser=laser, period=DateTimeTZRange(since, until)
    )


def make_fitted_handpiece(laser: Laser, *, since: datetime = LONG_AGO, **fields: Any) -> Handpiece:
    """A handpiece for every line of the laser, on it since long ago."""
    handpiece = make_handpiece(laser.laser_model, clinic=laser.clinic, **fields)
    fit(handpiece, laser, since=since)
    return handpiece


def make_eyewear(clinic: Clinic | None = None, *, pairs: int = 1, **fields: Any) -> list[Eyewear]:
    """So many pairs that fit anything, kept for any room; inspected later than any test asks."""
    clinic = clinic or make_clinic()
    defaults = {
        "densities": [{"low_nm": 400, "high_nm": 1400, "density": 10}],
        "marks": ["400-1400 DIRM LB10"],
        "inspected_on": date(2190, 1, 1),
    }
    return [
        Eyewear.objects.create(
            chain=clinic.chain,
            clinic=clinic,
            **{"label": f"Pair {number()}", **defaults, **fields},
        )
        for _ in range(pairs)
    ]


def make_eyewear_policy(chain: Chain, **fields: Any) -> EyewearPolicy:
    """What the chain demands of eyewear."""
    return EyewearPolicy.objects.create(chain=chain, **fields)


def make_lock_out(
    laser: Laser, *, since: datetime = LONG_AGO, until: datetime | None = None, **fields: Any
) -> LockOut:
    """The laser may not fire, for a fault."""
    return LockOut.objects.create(
        laser=laser,
        period=DateTimeTZRange(since, until),
        **{"reason": LockOutReason.FAULT, **fields},
    )


def make_pulse_entry(
    laser: Laser,
    handpiece: Handpiece,
    *,
    pulses: int = 100,
    fired_at: datetime,
    operator: StaffMember | None = None,
    line: EmissionLine | None = None,
    **fields: Any,
) -> PulseEntry:
    """Pulses in the ledger, written as they are: no rule is asked."""
    return PulseEntry.objects.create(
        laser=laser,
        handpiece=handpiece,
        line=line or handpiece.lines.order_by("pk")[0],
        pulses=pulses,
        fired_at=fired_at,
        operator=operator or make_staff(laser.chain),
        **{"purpose": PulsePurpose.TREATMENT, "entry_key": f"key-{number()}", **fields},
    )


def make_correction(entry: PulseEntry, pulses: int, **fields: Any) -> PulseEntry:
    """A signed correction of an entry, written as it is."""
    return make_pulse_entry(
        entry.laser,
        entry.handpiece,
        line=entry.line,
        pulses=pulses,
        fired_at=entry.fired_at,
        corrects=entry,
        **{"purpose": PulsePurpose.CORRECTION, "reason": "miscounted", **fields},
    )
