"""Closed ranges: a value on the boundary of two belongs to both, and the stricter counts."""

from collections.abc import Callable, Sequence
from typing import Final

from devices.metrology.checks import positive
from devices.safety.errors import OutsideTables

SLACK: Final = 1e-9
SHORTEST_S: Final = 100e-12
LONGEST_PULSE_S: Final = 0.25
LONGEST_S: Final = 10.0
LEAST_NM: Final = 400.0
MOST_NM: Final = 1400.0

Piece = tuple[float, float, Callable[[float], float]]


def covers(low: float, high: float, value: float) -> bool:
    """Whether the value lies in the closed range, give or take a rounding of 1e-9."""
    return low * (1 - SLACK) <= value <= high * (1 + SLACK)


def least(pieces: Sequence[Piece], value: float) -> float:
    """The least of what the pieces that cover a value give for it."""
    return min(compute(value) for low, high, compute in pieces if covers(low, high, value))


def tabled(value: float, *, low: float, high: float, field: str) -> float:
    """The value. Raises InvalidQuantity when it is no number above 0, OutsideTables beyond."""
    if not covers(low, high, positive(value, field=field)):
        raise OutsideTables(field=field, value=value, low=low, high=high)
    return value


def tabled_wavelength(wavelength_nm: float) -> float:
    """A wavelength of 400 to 1400 nm. Raises InvalidQuantity, OutsideTables."""
    return tabled(wavelength_nm, low=LEAST_NM, high=MOST_NM, field="wavelength_nm")


def tabled_duration(seconds: float, *, field: str = "pulse_s") -> float:
    """A duration of 100 ps to 10 s. Raises InvalidQuantity, OutsideTables."""
    return tabled(seconds, low=SHORTEST_S, high=LONGEST_S, field=field)
