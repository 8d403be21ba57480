"""How far a beam stays hazardous: nominal ocular hazard distance (NOHD), lens and reflection.

Circular beam, full divergence in mrad and diameter in mm at the 1/e points (TROS: 63 %), no loss
in air, never below 0. Formulas: lasercalc (linear), a university manual (linear), a calculator
page (quadrature); lens and diffuse reflection from memory (ANSI and OSHA guides). A focused
handpiece diverges after its waist, a collimated beam reaches kilometres: in a clinic room both
mean that the whole room is the controlled area.
"""

from enum import StrEnum
from math import cos, pi, radians, sqrt

from devices.metrology.checks import positive
from devices.metrology.errors import InvalidQuantity

MM_PER_M = 1e3


class Growth(StrEnum):
    """How the diameter grows with distance r: a + phi r, or sqrt(a^2 + (phi r)^2)."""

    LINEAR = "linear"
    QUADRATURE = "quadrature"


def hazard_distance_m(
    energy_j: float,
    *,
    limit_j_m2: float,
    diameter_mm: float,
    divergence_mrad: float,
    growth: Growth = Growth.LINEAR,
) -> float:
    """NOHD in m: (1/phi)(sqrt(4Q/(pi H)) - a), or (1/phi) sqrt(4Q/(pi H) - a^2).

    For a continuous beam give W and W/m2. `diameter_mm` at the exit may be 0 (a point). Raises
    InvalidQuantity.
    """
    safe_m = safe_diameter_m(energy_j, limit_j_m2=limit_j_m2)
    phi = positive(divergence_mrad, field="divergence_mrad") * 1e-3
    exit_m = diameter_mm / MM_PER_M
    if exit_m:
        positive(diameter_mm, field="diameter_mm")
    if safe_m <= exit_m:
        return 0.0
    if growth is Growth.QUADRATURE:
        return sqrt(safe_m**2 - exit_m**2) / phi
    return (safe_m - exit_m) / phi


def safe_diameter_m(energy_j: float, *, limit_j_m2: float) -> float:
    """The diameter in m to which a beam must have grown to be at its limit: sqrt(4Q/(pi H))."""
    energy = positive(energy_j, field="energy_j")
    return sqrt(4 * energy / (pi * positive(limit_j_m2, field="limit_j_m2")))


def lens_distance_m(
    energy_j: float, *, limit_j_m2: float, focal_mm: float, beam_on_lens_mm: float
) -> float:
    """Distance in m behind a focusing lens: (f/b) sqrt(4Q/(pi H)). From memory."""
    focal = positive(focal_mm, field="focal_mm")
    on_lens = positive(beam_on_lens_mm, field="beam_on_lens_mm")
    return focal / on_lens * safe_diameter_m(energy_j, limit_j_m2=limit_j_m2)


def diffuse_distance_m(
    energy_j: float, *, limit_j_m2: float, reflectance: float = 1.0, angle_deg: float = 0.0
) -> float:
    """Distance in m from a matt surface: sqrt(rho Q cos(theta)/(pi H)). From memory.

    Raises InvalidQuantity for a reflectance above 1 or an angle of 90 degrees and more.
    """
    energy = positive(energy_j, field="energy_j")
    if positive(reflectance, field="reflectance") > 1:
        raise InvalidQuantity(
            field="reflectance", rule="at-most-1", message="No surface reflects more than all."
        )
    if not 0 <= angle_deg < 90:
        raise InvalidQuantity(
            field="angle_deg", rule="angle", message="The angle is at least 0 and below 90 degrees."
        )
    limit = positive(limit_j_m2, field="limit_j_m2")
    return sqrt(reflectance * energy * cos(radians(angle_deg)) / (pi * limit))
