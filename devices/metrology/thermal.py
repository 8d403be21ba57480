"""How long a heated thing keeps its heat, and how far heat runs during a pulse.

Thermal relaxation t = d^2 / (g k): slab g = 8, cylinder 16, sphere 24 or 27 (Anderson & Parrish
1983 and successors; constants from memory). k of tissue 1.3e-7 m2/s (from memory, 1.1 to 1.4e-7
used). Orders of magnitude, not thresholds.
"""

from enum import StrEnum
from math import sqrt

from devices.metrology.checks import positive

TISSUE_DIFFUSIVITY_M2_S = 1.3e-7
SOUND_IN_TISSUE_M_S = 1540.0


class Geometry(StrEnum):
    """The shape that cools."""

    SLAB = "slab"
    CYLINDER = "cylinder"
    SPHERE = "sphere"
    SPHERE_27 = "sphere_27"


GEOMETRY_CONSTANT = {
    Geometry.SLAB: 8.0,
    Geometry.CYLINDER: 16.0,
    Geometry.SPHERE: 24.0,
    Geometry.SPHERE_27: 27.0,
}


def thermal_relaxation_s(
    diameter_m: float,
    *,
    geometry: Geometry = Geometry.CYLINDER,
    diffusivity_m2_s: float = TISSUE_DIFFUSIVITY_M2_S,
) -> float:
    """Seconds in which a body of `diameter_m` cools: d^2 / (g k). Raises InvalidQuantity."""
    diameter = positive(diameter_m, field="diameter_m")
    diffusivity = positive(diffusivity_m2_s, field="diffusivity_m2_s")
    return diameter**2 / (GEOMETRY_CONSTANT[geometry] * diffusivity)


def diffusion_length_m(
    pulse_s: float, *, diffusivity_m2_s: float = TISSUE_DIFFUSIVITY_M2_S
) -> float:
    """Metres that heat runs during a pulse: sqrt(4 k t). Raises InvalidQuantity."""
    return sqrt(
        4
        * positive(diffusivity_m2_s, field="diffusivity_m2_s")
        * positive(pulse_s, field="pulse_s")
    )


def stress_confinement_s(diameter_m: float, *, sound_m_s: float = SOUND_IN_TISSUE_M_S) -> float:
    """Seconds that sound takes through a body of `diameter_m`: d / v. Raises InvalidQuantity."""
    return positive(diameter_m, field="diameter_m") / positive(sound_m_s, field="sound_m_s")
