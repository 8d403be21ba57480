"""Several readings of one setting: mean, spread, deviation, and what the spot does to fluence."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from devices.metrology.checks import positive
from devices.metrology.fluence import fluence_j_cm2
from devices.metrology.tolerance import TOLERANCE, check_output, fluence_change


@dataclass(frozen=True, slots=True)
class ReadingsCheck:
    """What readings (J) of a setting say; fractions of the setting, fluences in J/cm2.

    Without a measured spot there is no delivered fluence: None.
    """

    mean_j: float
    spread_j: float
    deviation: float
    tolerance: float
    passed: bool
    fluence_set_j_cm2: float
    fluence_j_cm2: float | None
    spot_change: float | None
    fluence_change: float | None
    fluence_change_of_spot: float | None

    @property
    def fluence_within(self) -> bool | None:
        """Whether the fluence is within the same tolerance; None without a measured spot."""
        change = self.fluence_change
        return None if change is None else abs(change) <= self.tolerance + 1e-9


def check_readings(
    readings_j: Sequence[float],
    *,
    set_energy_j: float,
    spot_mm: float,
    spot_measured_mm: float | None = None,
    tolerance: float = TOLERANCE,
) -> ReadingsCheck:
    """Whether the mean of two readings or more lies within +-`tolerance` of the setting.

    The edges pass. The pass is of the energy; what a measured spot does to the fluence is told
    beside it (a spot 5 % small: +10.80 %). Raises InvalidQuantity.
    """
    readings = [positive(reading, field="readings") for reading in readings_j]
    mean = fmean(readings)
    output = check_output(mean, set_value=set_energy_j, tolerance=tolerance)
    spot = None if spot_measured_mm is None else spot_measured_mm / spot_mm - 1
    return ReadingsCheck(
        mean_j=mean,
        spread_j=stdev(readings),
        deviation=output.deviation,
        tolerance=output.tolerance,
        passed=output.passed,
        fluence_set_j_cm2=fluence_j_cm2(set_energy_j, spot_mm=spot_mm),
        fluence_j_cm2=(
            None if spot_measured_mm is None else fluence_j_cm2(mean, spot_mm=spot_measured_mm)
        ),
        spot_change=spot,
        fluence_change=(
            None
            if spot is None
            else fluence_change(energy_change=output.deviation, spot_change=spot)
        ),
        fluence_change_of_spot=None if spot is None else fluence_change(spot_change=spot),
    )
