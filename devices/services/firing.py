"""Whether what is said of a firing can have been: setting within the line, pulses within time."""

from collections.abc import Iterable
from datetime import timedelta
from typing import Final

from core.db import step
from devices import selectors
from devices.errors import (
    BeyondLine,
    FiringEndsFirst,
    NotFitted,
    PulsesBeyondTime,
    SpotNotListed,
)
from devices.metrology import FiringSetting, delivered, most_pulses, pulses_plausible
from devices.models import PulseEntry

SLACK: Final = 1e-9
SPOT_SLACK_MM: Final = 0.05


def set_as(entry: PulseEntry, *, setting: FiringSetting | None) -> None:
    """Give the entry a setting and what its pulses deliver at it; None leaves it without.

    Raises InvalidQuantity for a setting that cannot be.
    """
    if setting is None:
        return
    entry.spot_mm = setting.spot_mm
    entry.fluence_j_cm2 = setting.fluence_j_cm2
    entry.rate_hz = setting.rate_hz
    gave = delivered(entry.pulses, setting=setting)
    entry.energy_j = gave.energy_j
    entry.total_energy_j = gave.total_energy_j
    entry.area_cm2 = gave.area_cm2
    entry.average_power_w = gave.average_power_w


def setting_of(entry: PulseEntry) -> FiringSetting | None:
    """The setting an entry was written with."""
    if entry.spot_mm is None or entry.fluence_j_cm2 is None or entry.rate_hz is None:
        return None
    return FiringSetting(entry.spot_mm, entry.fluence_j_cm2, entry.rate_hz)


def refuse_beyond_line(entry: PulseEntry) -> None:
    """Raise BeyondLine or SpotNotListed when line or handpiece cannot be set like this."""
    line = entry.line
    if entry.energy_j is None or entry.rate_hz is None:
        return
    if entry.energy_j > line.max_energy_j * (1 + SLACK):
        raise BeyondLine(
            f"One pulse would have {entry.energy_j:.4g} J; the line gives {line.max_energy_j:g} J.",
            field="fluence_j_cm2",
            energy_j=entry.energy_j,
            max_energy_j=line.max_energy_j,
        )
    if entry.rate_hz > line.max_rate_hz * (1 + SLACK):
        raise BeyondLine(
            f"The line fires at {line.max_rate_hz:g} Hz at most.",
            field="rate_hz",
            rate_hz=entry.rate_hz,
            max_rate_hz=line.max_rate_hz,
        )
    for owner, spots in (("line", line), ("handpiece", entry.handpiece)):
        if not _has_spot(spots.spot_sizes_mm, entry.spot_mm):
            raise SpotNotListed(
                f"The {owner} has no spot of {entry.spot_mm:g} mm.",
                field="spot_mm",
                spot_sizes_mm=list(spots.spot_sizes_mm),
                refused_mm=[entry.spot_mm],
            )


def refuse_beyond_time(entry: PulseEntry) -> None:
    """Raise unless the pulses fit between start and end, at the rate set or the line's highest.

    FiringEndsFirst when the end lies before the start, PulsesBeyondTime: 300 s at 10 Hz hold
    3000 pulses, not 3001. Without an end there is nothing to compare.
    """
    if entry.ended_at is None:
        return
    firing_s = (entry.ended_at - entry.fired_at) / timedelta(seconds=1)
    if firing_s < 0:
        raise FiringEndsFirst(
            field="ended_at",
            fired_at=entry.fired_at.isoformat(),
            ended_at=entry.ended_at.isoformat(),
        )
    rate_hz = entry.rate_hz or entry.line.max_rate_hz
    if not pulses_plausible(entry.pulses, firing_s=firing_s, rate_hz=rate_hz):
        raise PulsesBeyondTime(
            f"{entry.pulses} pulses at {rate_hz:g} Hz take longer than {firing_s:g} s.",
            field="pulses",
            pulses=entry.pulses,
            most_pulses=most_pulses(firing_s, rate_hz=rate_hz),
            rate_hz=rate_hz,
            seconds=firing_s,
        )


@step
def refuse_unfitted(entry: PulseEntry) -> None:
    """Raise NotFitted unless the handpiece was on the laser from the start of the firing on."""
    if not selectors.is_fitted(
        laser=entry.laser, handpiece=entry.handpiece, at=entry.fired_at, until=entry.ended_at
    ):
        raise NotFitted(
            laser=entry.laser_id, handpiece=entry.handpiece_id, at=entry.fired_at.isoformat()
        )


def _has_spot(spots: Iterable[float], wanted: float | None) -> bool:
    return wanted is not None and any(abs(spot - wanted) <= SPOT_SLACK_MM for spot in spots)
