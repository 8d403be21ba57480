"""Closed sets of codes: plain `StrEnum`s, so that code without Django can use them too."""

from enum import IntEnum, StrEnum
from typing import overload


@overload
def choices(vocabulary: type[StrEnum]) -> list[tuple[str, str]]: ...
@overload
def choices(vocabulary: type[IntEnum]) -> list[tuple[int, str]]: ...
def choices(
    vocabulary: type[StrEnum] | type[IntEnum],
) -> list[tuple[str, str]] | list[tuple[int, str]]:
    """The (stored value, readable label) pairs of a vocabulary, for a field of a model or API."""
    if issubclass(vocabulary, IntEnum):
        return [(code.value, code.name) for code in vocabulary]
    return [(code.value, code.value.replace("-", " ").replace("_", " ")) for code in vocabulary]


class ReservationStatus(StrEnum):
    """HL7 FHIR R5 Slot.status."""

    FREE = "free"
    BUSY = "busy"
    BUSY_UNAVAILABLE = "busy-unavailable"
    BUSY_TENTATIVE = "busy-tentative"
    ENTERED_IN_ERROR = "entered-in-error"


class DeviceStatus(StrEnum):
    """HL7 FHIR R5 FHIRDeviceStatus."""

    ACTIVE = "active"
    INACTIVE = "inactive"
    ENTERED_IN_ERROR = "entered-in-error"
