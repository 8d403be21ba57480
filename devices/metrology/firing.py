"""What a number of pulses at one setting delivered."""

from dataclasses import dataclass

from devices.metrology.energy import average_power_w
from devices.metrology.fluence import pulse_energy_j, spot_area_cm2


@dataclass(frozen=True, slots=True)
class FiringSetting:
    """How a laser was set: spot diameter in mm, fluence in J/cm2, pulses a second."""

    spot_mm: float
    fluence_j_cm2: float
    rate_hz: float


@dataclass(frozen=True, slots=True)
class Delivered:
    """Energy of one pulse and of all (J), area of all spots (cm2), average power while firing (W).

    The area is a sum over the spots: where they overlap, skin counts twice.
    """

    energy_j: float
    total_energy_j: float
    area_cm2: float
    average_power_w: float


def delivered(pulses: int, *, setting: FiringSetting) -> Delivered:
    """What `pulses` deliver at a setting; a negative number, a correction, takes as much away.

    Top-hat spot: 8 J/cm2 at 3 mm is 0.565 J a pulse. Raises InvalidQuantity for a setting that
    cannot be.
    """
    energy_j = pulse_energy_j(setting.fluence_j_cm2, spot_mm=setting.spot_mm)
    return Delivered(
        energy_j=energy_j,
        total_energy_j=energy_j * pulses,
        area_cm2=spot_area_cm2(setting.spot_mm) * pulses,
        average_power_w=average_power_w(energy_j, rate_hz=setting.rate_hz),
    )
