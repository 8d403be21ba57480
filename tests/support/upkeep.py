"""Builders of parts, service plans, meters and energy checks; invented, as small as needed."""

from datetime import date, datetime
from typing import Any

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.models import Chain
from devices.models import (
    EnergyCheck,
    Handpiece,
    Installation,
    Laser,
    Meter,
    Part,
    ServicePlan,
)
from tests.support.factories import LONG_AGO, make_staff, number


def make_part(chain: Chain, **fields: Any) -> Part:
    """A flashlamp without a rated life."""
    return Part.objects.create(
        chain=chain, **{"kind": "flashlamp", "serial": f"P-{number()}", **fields}
    )


def install(
    part: Part,
    device: Laser | Handpiece,
    *,
    since: datetime = LONG_AGO,
    until: datetime | None = None,
) -> Installation:
    """The part sits in the device from `since` on."""
    place = {"laser": device} if isinstance(device, Laser) else {"handpiece": device}
    return Installation.objects.create(
        part=part,
        period=DateTimeTZRange(since, until),
        installed_by=make_staff(part.chain),
        **place,
    )


def make_plan(laser: Laser, *, last_done_at: datetime, **fields: Any) -> ServicePlan:
    """A yearly service, unless pulses or months are given."""
    if not {"every_pulses", "every_months"} & fields.keys():
        fields["every_months"] = 12
    return ServicePlan.objects.create(
        laser=laser, last_done_at=last_done_at, **{"name": f"Plan {number()}", **fields}
    )


def make_meter(chain: Chain, **fields: Any) -> Meter:
    """A meter with a certificate that counts for long."""
    defaults = {
        "name": "Meter (invented)",
        "serial": f"M-{number()}",
        "certificate_number": f"C-{number()}",
        "certified_on": date(2020, 1, 1),
        "certificate_valid_until": date(2099, 1, 1),
    }
    return Meter.objects.create(chain=chain, **{**defaults, **fields})


def make_check(
    laser: Laser,
    handpiece: Handpiece,
    *,
    checked_at: datetime,
    deviation: float = 0.0,
    **fields: Any,
) -> EnergyCheck:
    """A check of a line of the handpiece at 0.5 J, so far off; written as it is."""
    line = fields.pop("line", None) or handpiece.lines.order_by("pk")[0]
    meter = fields.pop("meter", None) or make_meter(laser.chain)
    mean = 0.5 * (1 + deviation)
    defaults = {
        "set_energy_j": 0.5,
        "readings_j": [mean] * 3,
        "spot_mm": 3.0,
        "mean_j": mean,
        "spread_j": 0.0,
        "deviation": deviation,
        "tolerance": 0.2,
        "passed": abs(deviation) <= 0.2,
    }
    return EnergyCheck.objects.create(
        laser=laser,
        line=line,
        handpiece=handpiece,
        meter=meter,
        certificate_number=meter.certificate_number,
        certified_on=meter.certified_on,
        certificate_valid_until=meter.certificate_valid_until,
        checked_at=checked_at,
        checked_by=make_staff(laser.chain),
        **{**defaults, **fields},
    )
