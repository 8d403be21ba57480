"""Numbers as devices take them (finite, above zero, no larger than makes sense), and changes."""

from math import isfinite
from typing import Any, Final

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

LEAST_ABOVE_ZERO: Final = 1e-9
MAX_SPOT_MM: Final = 100
MAX_ENERGY_J: Final = 1_000
MAX_FLUENCE_J_CM2: Final = 100_000
MAX_RATE_HZ: Final = 1_000_000
MAX_PULSE_NS: Final = 1_000_000_000
MAX_PULSES: Final = 100_000_000
MAX_COUNTER: Final = 10**15


class QuantityField(serializers.FloatField):
    """A finite number above 0 and at most `max_value`; a truth value or a text is none.

    Above 0 is what a square does not take to 0.
    """

    default_error_messages = {
        "positive": "Must be above 0.",
        "finite": "Must be a finite number.",
        "number": "Must be a number.",
    }

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, bool | str):
            self.fail("number")
        value = super().to_internal_value(data)
        if not isfinite(value):
            self.fail("finite")
        if value < LEAST_ABOVE_ZERO:
            self.fail("positive")
        return value


class WholeField(serializers.IntegerField):
    """A whole number; a truth value, a text or a fraction is none."""

    default_error_messages = {"number": "Must be a whole number."}

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or not isinstance(data, int):
            self.fail("number")
        return super().to_internal_value(data)


@extend_schema_field(OpenApiTypes.STR)
class HexField(serializers.ReadOnlyField):
    """Bytes as lower-case hexadecimal digits."""

    def to_representation(self, value: Any) -> str:
        return bytes(value).hex()


class SpotsField(serializers.ListField):
    """Spot diameters in mm: at least one, each once, in order of size."""

    def __init__(self, **kwargs: Any) -> None:
        given = {"child": QuantityField(max_value=MAX_SPOT_MM), "min_length": 1, "max_length": 50}
        super().__init__(**{**given, **kwargs})

    def to_internal_value(self, data: Any) -> list[float]:
        return sorted(set(super().to_internal_value(data)))


class ChangeIn(serializers.Serializer[Any]):
    """What to change: any of the fields."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{**kwargs, "partial": True})
