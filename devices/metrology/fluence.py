"""Energy, spot and fluence of one pulse.

Top-hat beam: F = 4 Q / (pi d^2). Gaussian beam (w: radius at 1/e^2): on the axis 2 Q / (pi w^2).
Textbook optics; the numbers are exact arithmetic.
"""

from math import pi, sqrt

from devices.metrology.checks import positive

MM2_PER_CM2 = 100.0


def spot_area_cm2(spot_mm: float) -> float:
    """Area in cm2 of a round spot of diameter `spot_mm`. Raises InvalidQuantity."""
    return pi * positive(spot_mm, field="spot_mm") ** 2 / 4 / MM2_PER_CM2


def fluence_j_cm2(energy_j: float, *, spot_mm: float) -> float:
    """Fluence in J/cm2 of a pulse of `energy_j` over a top-hat spot. Raises InvalidQuantity."""
    return positive(energy_j, field="energy_j") / spot_area_cm2(spot_mm)


def pulse_energy_j(fluence: float, *, spot_mm: float) -> float:
    """Energy in J that gives `fluence` (J/cm2) on a top-hat spot: 8 J/cm2 at 3 mm is 0.565 J.

    Raises InvalidQuantity.
    """
    return positive(fluence, field="fluence_j_cm2") * spot_area_cm2(spot_mm)


def spot_diameter_mm(energy_j: float, *, fluence: float) -> float:
    """Diameter in mm of the top-hat spot on which `energy_j` gives `fluence` (J/cm2).

    Raises InvalidQuantity.
    """
    area_cm2 = positive(energy_j, field="energy_j") / positive(fluence, field="fluence_j_cm2")
    return sqrt(4 * area_cm2 * MM2_PER_CM2 / pi)


def gaussian_axial_fluence_j_cm2(energy_j: float, *, radius_mm: float) -> float:
    """Fluence in J/cm2 on the axis of a Gaussian beam of 1/e^2 radius `radius_mm`: 2Q/(pi w^2).

    Raises InvalidQuantity.
    """
    radius = positive(radius_mm, field="radius_mm")
    return 2 * positive(energy_j, field="energy_j") / (pi * radius**2 / MM2_PER_CM2)


def max_fluence_j_cm2(max_energy_j: float, *, spot_mm: float) -> float:
    """The highest fluence in J/cm2 that a line's largest pulse gives at a spot."""
    return fluence_j_cm2(max_energy_j, spot_mm=spot_mm)


def irradiance_w_cm2(fluence: float, *, pulse_s: float) -> float:
    """Irradiance in W/cm2 during a flat pulse: fluence (J/cm2) / duration (s)."""
    return positive(fluence, field="fluence_j_cm2") / positive(pulse_s, field="pulse_s")
