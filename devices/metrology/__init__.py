"""Arithmetic of laser output: energy, fluence, power, coverage, tolerance, heat.

A pure package: no Django. Units are in the names; bad values raise InvalidQuantity.
"""

from devices.metrology.coverage import (
    GAP_FREE_HEX_OVERLAP,
    disc_overlap,
    pulses_to_cover,
    spots_by_area,
    spots_hex,
    spots_square,
)
from devices.metrology.energy import (
    average_power_w,
    gaussian_peak_power_w,
    peak_power_w,
    photon_energy_ev,
)
from devices.metrology.errors import InvalidQuantity
from devices.metrology.firing import Delivered, FiringSetting, delivered
from devices.metrology.fluence import (
    fluence_j_cm2,
    gaussian_axial_fluence_j_cm2,
    irradiance_w_cm2,
    max_fluence_j_cm2,
    pulse_energy_j,
    spot_area_cm2,
    spot_diameter_mm,
)
from devices.metrology.thermal import (
    Geometry,
    diffusion_length_m,
    stress_confinement_s,
    thermal_relaxation_s,
)
from devices.metrology.tolerance import (
    TOLERANCE,
    OutputCheck,
    check_output,
    deviation,
    fluence_change,
    most_pulses,
    pulses_plausible,
)

__all__ = [
    "GAP_FREE_HEX_OVERLAP",
    "TOLERANCE",
    "Delivered",
    "FiringSetting",
    "Geometry",
    "InvalidQuantity",
    "OutputCheck",
    "average_power_w",
    "check_output",
    "delivered",
    "deviation",
    "diffusion_length_m",
    "disc_overlap",
    "fluence_change",
    "fluence_j_cm2",
    "gaussian_axial_fluence_j_cm2",
    "gaussian_peak_power_w",
    "irradiance_w_cm2",
    "max_fluence_j_cm2",
    "most_pulses",
    "peak_power_w",
    "photon_energy_ev",
    "pulse_energy_j",
    "pulses_plausible",
    "pulses_to_cover",
    "spot_area_cm2",
    "spot_diameter_mm",
    "spots_by_area",
    "spots_hex",
    "spots_square",
    "stress_confinement_s",
    "thermal_relaxation_s",
]
