"""Refusal of quantities that are not numbers or out of range."""

from math import isfinite

from devices.metrology.errors import InvalidQuantity


def positive(value: float, *, field: str) -> float:
    """The value. Raises InvalidQuantity unless it is a finite number above 0."""
    if isinstance(value, bool) or not isfinite(value) or value <= 0:
        raise InvalidQuantity(
            field=field, rule="positive", message=f"{field} must be above 0, not {value}."
        )
    return value


def not_negative(value: float, *, field: str) -> float:
    """The value. Raises InvalidQuantity unless it is a finite number of at least 0."""
    if isinstance(value, bool) or not isfinite(value) or value < 0:
        raise InvalidQuantity(
            field=field, rule="not-negative", message=f"{field} must be at least 0, not {value}."
        )
    return value


def overlap_fraction(value: float, *, field: str = "overlap") -> float:
    """The overlap of spots as a fraction of the diameter. Raises InvalidQuantity outside [0, 1)."""
    if isinstance(value, bool) or not isfinite(value) or not 0 <= value < 1:
        raise InvalidQuantity(
            field=field,
            rule="overlap-range",
            message=f"{field} must be at least 0 and below 1, not {value}.",
        )
    return value
