"""Energy checks: the last of each line, the trend, and the state of calibration."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from devices.metrology.drift import Leaves, Trend, leaves_tolerance, theil_sen
from devices.metrology.errors import InvalidQuantity
from devices.models import EmissionLine, EnergyCheck, Fitting, Handpiece, Laser, LockOut
from devices.policy import DevicePolicy
from devices.vocabulary import CalibrationState, CalibrationType

ONE_DAY: Final = timedelta(days=1)
FURTHEST: Final = timedelta(days=3650)


@dataclass(frozen=True, slots=True)
class Drift:
    """The checks of a laser's line through a handpiece, oldest first, and where they lead.

    Days of the trend count from the first check. Instants are None where the trend does not lead
    out within ten years; without a trend `why` says what is missing.
    """

    line_id: int
    wavelength_nm: int
    handpiece_id: int
    checks: tuple[EnergyCheck, ...]
    trend: Trend | None
    leaves_at: datetime | None
    earliest_at: datetime | None
    latest_at: datetime | None
    why: str


@dataclass(frozen=True, slots=True)
class Calibration:
    """How a line of a laser through a fitted handpiece stands, in the words of DeviceMetric."""

    line: EmissionLine
    handpiece: Handpiece
    last: EnergyCheck | None
    state: CalibrationState
    type: CalibrationType
    due_at: datetime | None


def last_check_before(check: EnergyCheck) -> EnergyCheck | None:
    """The last passing check of the same laser, line and handpiece before this one. One query."""
    rows = EnergyCheck.objects.counting().filter(
        laser=check.laser_id,
        line=check.line_id,
        handpiece=check.handpiece_id,
        passed=True,
        checked_at__lt=check.checked_at,
    )
    return rows.order_by("-checked_at", "-pk").first()


def last_checks(laser_ids: Iterable[int], *, since: datetime | None = None) -> list[EnergyCheck]:
    """The last check of each laser, line and handpiece. One query for any number of lasers."""
    rows: Any = EnergyCheck.objects.counting().filter(laser__in=list(laser_ids))
    if since is not None:
        rows = rows.filter(checked_at__gt=since)
    rows = rows.order_by("laser_id", "line_id", "handpiece_id", "-checked_at", "-pk")
    return list(rows.distinct("laser_id", "line_id", "handpiece_id"))


def failures_fitted(laser: Laser, *, line_id: int | None, now: datetime) -> list[EnergyCheck]:
    """Last checks that failed, through handpieces that are on the laser now. Two queries."""
    on_it = set(
        Fitting.objects.filter(laser=laser).holding_at(now).values_list("handpiece_id", flat=True)
    )
    return [
        check
        for check in last_checks([laser.pk])
        if not check.passed and check.handpiece_id in on_it and line_id in {None, check.line_id}
    ]


def passing_since(
    laser_id: int, *, line_id: int | None, since: datetime, pk: int | None = None
) -> EnergyCheck | None:
    """The last passing check made after an instant (of one line; the one of this key)."""
    rows: Any = EnergyCheck.objects.counting().filter(
        laser=laser_id, passed=True, checked_at__gt=since
    )
    if line_id is not None:
        rows = rows.filter(line=line_id)
    if pk is not None:
        rows = rows.filter(pk=pk)
    found: EnergyCheck | None = rows.order_by("-checked_at", "-pk").first()
    return found


def drifts(laser: Laser, *, since: datetime, tolerance: float, now: datetime) -> list[Drift]:
    """The trend of each line and handpiece of a laser from its checks since then. One query."""
    rows = EnergyCheck.objects.counting().filter(
        laser=laser, checked_at__gte=since, checked_at__lte=now
    )
    groups: dict[tuple[int, int, int], list[EnergyCheck]] = defaultdict(list)
    for check in rows.select_related("line").order_by("checked_at", "pk"):
        groups[check.line.wavelength_nm, check.line_id, check.handpiece_id].append(check)
    return [drift_of(checks, tolerance=tolerance, now=now) for _, checks in sorted(groups.items())]


def drift_of(checks: Sequence[EnergyCheck], *, tolerance: float, now: datetime) -> Drift:
    """The trend of checks of one line and handpiece, oldest first."""
    first = checks[0]
    days = [(check.checked_at - first.checked_at) / ONE_DAY for check in checks]
    trend, why, leaves = None, "", Leaves(None, None, None)
    try:
        trend = theil_sen(days, [check.deviation for check in checks])
    except InvalidQuantity as fault:
        why = fault.message
    else:
        leaves = leaves_tolerance(
            trend, tolerance=tolerance, since=(now - first.checked_at) / ONE_DAY
        )
    return Drift(
        line_id=first.line_id,
        wavelength_nm=first.line.wavelength_nm,
        handpiece_id=first.handpiece_id,
        checks=tuple(checks),
        trend=trend,
        leaves_at=_instant(leaves.day, since=first.checked_at, now=now),
        earliest_at=_instant(leaves.earliest, since=first.checked_at, now=now),
        latest_at=_instant(leaves.latest, since=first.checked_at, now=now),
        why=why,
    )


def calibrations(laser: Laser, *, policy: DevicePolicy, now: datetime) -> list[Calibration]:
    """The state of each line through each handpiece that is on the laser now. Five queries."""
    fitted = Fitting.objects.filter(laser=laser).holding_at(now).select_related("handpiece")
    tips = [fitting.handpiece for fitting in fitted.prefetch_related("handpiece__lines")]
    recent = timedelta(days=policy.check_days)
    last = {(one.line_id, one.handpiece_id): one for one in last_checks([laser.pk])}
    settings = _settings_since(laser, since=now - recent)
    locked = set(
        LockOut.objects.filter(laser=laser).holding_at(now).values_list("line_id", flat=True)
    )
    found = []
    for tip in sorted(tips, key=lambda tip: tip.serial):
        for line in sorted(tip.lines.all(), key=lambda line: (line.wavelength_nm, line.pk)):
            check = last.get((line.pk, tip.pk))
            good = check is not None and check.passed
            due_at = check.checked_at + recent if check is not None and check.passed else None
            out = line.pk in locked or None in locked
            current = due_at is not None and due_at > now and not out
            state = (
                CalibrationState.CALIBRATED if current else CalibrationState.CALIBRATION_REQUIRED
            )
            found.append(
                Calibration(
                    line=line,
                    handpiece=tip,
                    last=check,
                    state=CalibrationState.NOT_CALIBRATED if check is None else state,
                    type=_type(settings[line.pk, tip.pk]) if good else CalibrationType.UNSPECIFIED,
                    due_at=due_at,
                )
            )
    return found


def _settings_since(laser: Laser, *, since: datetime) -> dict[tuple[int, int], set[float]]:
    """The energies at which each line and handpiece passed lately."""
    rows = EnergyCheck.objects.counting().filter(laser=laser, passed=True, checked_at__gte=since)
    settings: dict[tuple[int, int], set[float]] = defaultdict(set)
    for line_id, handpiece_id, energy in rows.values_list("line", "handpiece", "set_energy_j"):
        settings[line_id, handpiece_id].add(energy)
    return settings


def _type(settings: set[float]) -> CalibrationType:
    """One setting tells the gain, two or more tell two points."""
    return CalibrationType.TWO_POINT if len(settings) > 1 else CalibrationType.GAIN


def _instant(day: float | None, *, since: datetime, now: datetime) -> datetime | None:
    if day is None or day > (now + FURTHEST - since) / ONE_DAY:
        return None
    return since + day * ONE_DAY
