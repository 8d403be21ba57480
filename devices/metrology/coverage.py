"""How many round spots cover an area.

Pitch p = d (1 - o) for an overlap o of the diameter. One spot serves p^2 on a square grid and
p^2 sqrt(3)/2 on a hexagonal one. Plane geometry; edges are ignored, so that a small area needs
somewhat more.
"""

from math import acos, ceil, pi, sqrt

from devices.metrology.checks import not_negative, overlap_fraction, positive
from devices.metrology.fluence import MM2_PER_CM2, spot_area_cm2

HEX_CELL = sqrt(3) / 2
HEX_PACKING = pi / (2 * sqrt(3))
SQUARE_PACKING = pi / 4
HEX_COVERING = 2 * pi / (3 * sqrt(3))
SQUARE_COVERING = pi / 2
GAP_FREE_HEX_OVERLAP = 1 - sqrt(3) / 2
GAP_FREE_SQUARE_OVERLAP = 1 - sqrt(2) / 2
_ROUNDING = 1e-9


def spots_hex(area_cm2: float, *, spot_mm: float, overlap: float) -> float:
    """Spots (not rounded) on a hexagonal grid over `area_cm2`. Raises InvalidQuantity."""
    return spots_square(area_cm2, spot_mm=spot_mm, overlap=overlap) / HEX_CELL


def spots_square(area_cm2: float, *, spot_mm: float, overlap: float) -> float:
    """Spots (not rounded) on a square grid over `area_cm2`. Raises InvalidQuantity."""
    pitch = positive(spot_mm, field="spot_mm") * (1 - overlap_fraction(overlap))
    return positive(area_cm2, field="area_cm2") * MM2_PER_CM2 / pitch**2


def spots_by_area(area_cm2: float, *, spot_mm: float) -> float:
    """The naive count: area / area of a spot. Lies between packing and covering."""
    return positive(area_cm2, field="area_cm2") / spot_area_cm2(spot_mm)


def pulses_to_cover(area_cm2: float, *, spot_mm: float, overlap: float) -> int:
    """Whole pulses for one hexagonal pass over `area_cm2`, at least 1. Raises InvalidQuantity."""
    spots = spots_hex(area_cm2, spot_mm=spot_mm, overlap=overlap)
    return max(1, ceil(spots * (1 - _ROUNDING)))


def disc_overlap(spacing: float) -> float:
    """Shared share of the area of two equal discs whose centres are `spacing` diameters apart.

    1 at spacing 0, 0 from spacing 1 on. Raises InvalidQuantity for a negative spacing.
    """
    x = min(not_negative(spacing, field="spacing"), 1.0)
    return 2 / pi * (acos(x) - x * sqrt(1 - x * x))
