"""What eyewear must do against the worst that a line of a laser can emit.

The largest energy on the smallest spot at the highest rate, over every pulse duration that the
line can be set to: the ends, and each boundary of a table in between.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

from devices.safety.density import Beam, required_density
from devices.safety.levels import DURATIONS_S, EN207_OLDER, Level, TestConditions, protection
from devices.safety.limits import USUAL_EXPOSURE_S, Exposure, Limit, exposure_limit
from devices.safety.ranges import LONGEST_PULSE_S, SHORTEST_S, tabled
from devices.safety.tables import breaks_s
from devices.safety.vocabulary import LimitSet, Mode, Tissue


@dataclass(frozen=True, slots=True)
class Emission:
    """What a laser can emit at one wavelength, at its worst; a rate of None is a single pulse.

    Raises InvalidQuantity, OutsideTables.
    """

    wavelength_nm: float
    pulse_min_s: float
    pulse_max_s: float
    smallest_spot_mm: float
    max_energy_j: float
    max_rate_hz: float | None

    def __post_init__(self) -> None:
        for name in ("pulse_min_s", "pulse_max_s"):
            tabled(getattr(self, name), low=SHORTEST_S, high=LONGEST_PULSE_S, field=name)

    def durations_s(self) -> tuple[float, ...]:
        """Where the limit or the level can be strictest: the ends, and boundaries between them."""
        boundaries = {
            *(one for both in DURATIONS_S.values() for one in both),
            *(
                one
                for limit_set in (LimitSet.EU2006, LimitSet.IEC2014)
                for one in breaks_s(limit_set, Tissue.EYE)
            ),
        }
        between = {one for one in boundaries if self.pulse_min_s < one < self.pulse_max_s}
        return tuple(sorted({self.pulse_min_s, self.pulse_max_s, *between}))

    def beam(self, pulse_s: float, *, exposure_s: float) -> Beam:
        """The worst beam at a pulse duration; a rate too high for the duration is lowered."""
        rate = None if self.max_rate_hz is None else min(self.max_rate_hz, 1 / pulse_s)
        exposure = Exposure(
            self.wavelength_nm, pulse_s, rate_hz=rate, exposure_s=max(exposure_s, pulse_s)
        )
        return Beam(exposure, self.max_energy_j, self.smallest_spot_mm)


@dataclass(frozen=True, slots=True)
class Requirement:
    """What eyewear needs at one wavelength: OD, and the EN 207 level in each mode.

    `limit` and `worst` are those that ask for the OD.
    """

    wavelength_nm: float
    density: float
    limit: Limit
    worst: Beam
    levels: tuple[Level, ...]
    test: TestConditions

    @property
    def text(self) -> str:
        """What to look for on eyewear: `1064 nm: OD 5.97, D LB5, R LB8`."""
        marks = ", ".join(one.mark for one in self.levels)
        return f"{self.wavelength_nm:g} nm: OD {self.density:.2f}, {marks}"


# A line asks the same each time, and a room is checked at every booking and session.
@lru_cache(maxsize=1024)
def worst_requirement(
    emission: Emission,
    *,
    limit_set: LimitSet = LimitSet.LOWER,
    exposure_s: float = USUAL_EXPOSURE_S,
    margin: float = 1.0,
    test: TestConditions = EN207_OLDER,
) -> Requirement:
    """The strictest that a line asks of eyewear. Raises OutsideTables, InvalidQuantity."""
    beams = [emission.beam(one, exposure_s=exposure_s) for one in emission.durations_s()]
    needed = [_needed(beam, limit_set=limit_set, margin=margin) for beam in beams]
    density, limit, worst = max(needed, key=lambda one: one[0])
    levels = [one for beam in beams for one in protection(beam, test=test).levels]
    return Requirement(
        wavelength_nm=emission.wavelength_nm,
        density=density,
        limit=limit,
        worst=worst,
        levels=tuple(_highest(levels)),
        test=test,
    )


def _needed(beam: Beam, *, limit_set: LimitSet, margin: float) -> tuple[float, Limit, Beam]:
    limit = exposure_limit(beam.exposure, limit_set=limit_set)
    return required_density(beam, limit=limit, margin=margin), limit, beam


def _highest(levels: Iterable[Level]) -> Iterator[Level]:
    found = list(levels)
    for mode in Mode:
        of_mode = [one for one in found if one.mode is mode]
        if of_mode:
            yield max(of_mode, key=lambda one: one.exact)
