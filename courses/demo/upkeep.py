"""Parts, service plans, a meter and a year of energy checks, as rows not yet written. Invented."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.models import StaffMember
from clinics.vocabulary import Role
from courses.demo.devices import Devices, LaserUnit, Line, Tip
from courses.demo.inserting import insert
from courses.demo.moment import HISTORY_DAYS, Moment
from courses.demo.organisation import Organisation
from courses.demo.plan_of_devices import LOCKED_OUT
from devices.metrology.readings import check_readings
from devices.models import EnergyCheck, Installation, Meter, Part, ServicePlan
from devices.vocabulary import PartKind

MARK: Final = "invented"
CHECKED_EVERY_DAYS: Final = 30
LAMP_SINCE_DAYS: Final = 200
SERVICED_DAYS_AGO: Final = 120
NEARLY_DUE_DAYS_AGO: Final = 350
SET_SHARE: Final = 0.6
WEARING: Final = "Anvil in Cedar"
WEAR_A_DAY: Final = 0.0004


@dataclass(frozen=True, slots=True)
class Upkeep:
    """What keeps the lasers going, in the order in which it is written."""

    parts: list[Part]
    installations: list[Installation]
    plans: list[ServicePlan]
    meters: list[Meter]
    checks: list[EnergyCheck]

    def write(self) -> None:
        """Write all of it."""
        insert(self.parts)
        insert(self.installations)
        insert(self.plans)
        insert(self.meters)
        insert(self.checks)


def make_upkeep(organisation: Organisation, devices: Devices, moment: Moment) -> Upkeep:
    """A lamp and a plan for each laser, monthly checks of each line; one laser wears, one failed.

    No plan is overdue. The failed check is the one that its laser was locked out for.
    """
    officer = organisation.first(Role.LASER_SAFETY_OFFICER).member
    meter = Meter(
        chain=organisation.chain,
        name=f"Energy meter ({MARK})",
        serial="DEMO-M01",
        certificate_number="DEMO-C2026",
        certified_on=moment.days_ago(HISTORY_DAYS),
        certificate_valid_until=moment.days_ago(-90),
    )
    lamps = [_lamp(unit) for unit in devices.lasers]
    stays = [
        Installation(
            part=lamp,
            laser=unit.row,
            period=DateTimeTZRange(moment.now - timedelta(days=LAMP_SINCE_DAYS), None),
            installed_by=officer,
        )
        for lamp, unit in zip(lamps, devices.lasers, strict=True)
    ]
    checks = [
        check
        for unit in devices.lasers
        for tip in unit.tips
        for nm in tip.sketch.lines_nm
        for check in _checks(
            unit, tip, unit.model.lines[nm], meter=meter, officer=officer, moment=moment
        )
    ]
    plans = [
        _plan(unit, number=number, moment=moment) for number, unit in enumerate(devices.lasers)
    ]
    return Upkeep(lamps, stays, plans, [meter], checks)


def _lamp(unit: LaserUnit) -> Part:
    return Part(
        chain=unit.row.chain,
        kind=PartKind.FLASHLAMP,
        serial=f"{unit.row.serial}-FL",
        rated_life_pulses=8_000_000,
        rated_life_months=24,
        rated_life_source=f"maker's instructions ({MARK})",
    )


def _plan(unit: LaserUnit, *, number: int, moment: Moment) -> ServicePlan:
    days = NEARLY_DUE_DAYS_AGO if number == 0 else SERVICED_DAYS_AGO + 9 * number
    return ServicePlan(
        laser=unit.row,
        name="Yearly service",
        every_months=12,
        every_pulses=150_000,
        tolerance_days=30,
        tolerance_pulses=10_000,
        last_done_at=moment.now - timedelta(days=days),
        source=f"maker's instructions ({MARK})",
    )


def _checks(
    unit: LaserUnit, tip: Tip, line: Line, *, meter: Meter, officer: StaffMember, moment: Moment
) -> Iterator[EnergyCheck]:
    """Monthly, while the handpiece is on; the last of the laser that is locked out fails."""
    chance = moment.chance("energy-checks", tip.row.serial, line.row.wavelength_nm)
    since, until = tip.fitting.period.lower, tip.fitting.period.upper or moment.now
    began = max(since, moment.now - timedelta(days=HISTORY_DAYS - 5))
    at, number = began + timedelta(days=chance.randint(1, 20), hours=3), 0
    last_good = moment.now - timedelta(days=4)
    while at < min(until, last_good):
        wear = WEAR_A_DAY * ((at - began) / timedelta(days=1))
        off = chance.gauss(0, 0.015) - (wear if unit.sketch.label == WEARING else 0)
        yield _check(unit, tip, line, off=off, meter=meter, officer=officer, at=at)
        number += 1
        at = began + timedelta(days=CHECKED_EVERY_DAYS * number + chance.randint(0, 6), hours=3)
    if unit.sketch.label == LOCKED_OUT:
        at = unit.lock_outs[-1].period.lower - timedelta(minutes=10)
        yield _check(unit, tip, line, off=-0.22, meter=meter, officer=officer, at=at)


def _check(
    unit: LaserUnit,
    tip: Tip,
    line: Line,
    *,
    off: float,
    meter: Meter,
    officer: StaffMember,
    at: datetime,
) -> EnergyCheck:
    setting = round(line.row.max_energy_j * SET_SHARE, 3)
    readings = [round(setting * (1 + off + step), 5) for step in (-0.004, 0.0, 0.004)]
    spot = tip.row.spot_sizes_mm[1]
    found = check_readings(readings, set_energy_j=setting, spot_mm=spot)
    return EnergyCheck(
        laser=unit.row,
        line=line.row,
        handpiece=tip.row,
        meter=meter,
        certificate_number=meter.certificate_number,
        certified_on=meter.certified_on,
        certificate_valid_until=meter.certificate_valid_until,
        checked_at=at,
        checked_by=officer,
        set_energy_j=setting,
        readings_j=readings,
        spot_mm=spot,
        mean_j=found.mean_j,
        spread_j=found.spread_j,
        deviation=found.deviation,
        tolerance=found.tolerance,
        passed=found.passed,
        note=MARK,
    )
