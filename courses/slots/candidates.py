"""Who and what could serve a visit, clinic by clinic, with what each is fit for.

Ids are the primary keys of room, staff member, laser, handpiece and clinic. Every `free` is a
row of the search's grid (`Grid.row`): free of reservations and, for people, on shift. Fitness
(credentials, lock-outs, fittings) stays apart from free time, so that an empty answer can say
which of them bound.
"""

from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from courses.slots.grid import FreeRow


@dataclass(frozen=True, slots=True)
class RoomCandidate:
    """A room. Lasers fire only in a controlled room, on wavelengths it is cleared for (nm)."""

    id: int
    free: FreeRow
    laser_controlled: bool
    cleared_wavelengths_nm: frozenset[int]


@dataclass(frozen=True, slots=True)
class OperatorCredential:
    """May operate lasers from `valid_from` up to, not including, `valid_until` (local dates).

    An empty set of wavelengths (nm) means any; an empty set of laser models means any.
    """

    valid_from: date
    valid_until: date | None = None
    wavelengths_nm: frozenset[int] = frozenset()
    laser_model_ids: frozenset[int] = frozenset()

    def covers(self, *, laser_model_id: int, wavelength_nm: int) -> bool:
        """Whether it is about this model and wavelength, on whatever day."""
        return (not self.laser_model_ids or laser_model_id in self.laser_model_ids) and (
            not self.wavelengths_nm or wavelength_nm in self.wavelengths_nm
        )


@dataclass(frozen=True, slots=True)
class OperatorCandidate:
    """A member of staff, on shift at this clinic, with credentials to operate lasers."""

    id: int
    free: FreeRow
    credentials: tuple[OperatorCredential, ...]


@dataclass(frozen=True, slots=True)
class LockedOut:
    """A laser may not fire from `start` to `end` (None: until it is released).

    No visit with it begins in that time either, nor has it before the last pass.
    """

    start: datetime
    end: datetime | None = None


@dataclass(frozen=True, slots=True)
class LaserCandidate:
    """A laser at this clinic: its lines (nm), its room (None: mobile), when it is locked out."""

    id: int
    free: FreeRow
    model_id: int
    wavelengths_nm: frozenset[int]
    room_id: int | None = None
    locked_out: tuple[LockedOut, ...] = ()


@dataclass(frozen=True, slots=True)
class FittedTo:
    """A handpiece is fitted to a laser from `start` to `end` (None: no end known)."""

    laser_id: int
    start: datetime
    end: datetime | None = None


@dataclass(frozen=True, slots=True)
class HandpieceCandidate:
    """A handpiece: the lines it passes (nm), and when it is fitted to which laser."""

    id: int
    free: FreeRow
    wavelengths_nm: frozenset[int]
    fitted: tuple[FittedTo, ...]


@dataclass(frozen=True, slots=True)
class ClinicCandidates:
    """One accepted clinic. `preference` 0..1 is the patient's; `open` is a row: when it is open.

    Nothing of a visit lies outside opening hours.
    """

    id: int
    zone: ZoneInfo
    open: FreeRow
    rooms: tuple[RoomCandidate, ...]
    operators: tuple[OperatorCandidate, ...]
    lasers: tuple[LaserCandidate, ...]
    handpieces: tuple[HandpieceCandidate, ...]
    preference: float = 1.0
