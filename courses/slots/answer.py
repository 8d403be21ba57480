"""What a slot search answers: ranked slots, or which conditions bound."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from courses.science.basis import Basis, Kind

SLOT_BASIS = (
    Basis(
        id="slot-search",
        version="1",
        source="conditions all at once on a 5-minute grid; weights are the chain's policy",
        kind=Kind.PROPOSAL,
    ),
)


class ScoreName(StrEnum):
    """The parts of a slot's score."""

    CLOSENESS = "closeness"
    FRAGMENTATION = "fragmentation"
    CONTINUITY = "continuity"
    PREFERENCE = "preference"
    INK = "ink"


@dataclass(frozen=True, slots=True)
class ScorePart:
    """One part of a score: `value` 0..1 (1 is best) and the weight the chain gives it."""

    name: ScoreName
    value: float
    weight: float


@dataclass(frozen=True, slots=True)
class Reason:
    """Why, as a stable code, a plain sentence and the JSON-ready facts in it."""

    code: str
    detail: str
    data: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Served:
    """One need met, and the wavelength (nm) used for it."""

    key: str
    wavelength_nm: int


@dataclass(frozen=True, slots=True)
class Slot:
    """One offer: when (half-open, UTC), where, with whom and what, and why it ranks as it does.

    `score` is the weighted mean of `parts`, 0..1. `left_out` are keys of optional needs that
    this laser cannot meet.
    """

    start: datetime
    end: datetime
    clinic_id: int
    room_id: int
    operator_id: int
    laser_id: int
    handpiece_ids: tuple[int, ...]
    wavelengths_nm: tuple[int, ...]
    served: tuple[Served, ...]
    left_out: tuple[str, ...]
    score: float
    parts: tuple[ScorePart, ...]
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class SlotAnswer:
    """Slots, best first. Only when there are none, `bounds` says which conditions bound."""

    slots: tuple[Slot, ...]
    bounds: tuple[Reason, ...]
