"""Whether a pair of eyewear fits: for EVERY wavelength, its OD and its EN 207 levels suffice."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from devices.safety.levels import Level
from devices.safety.marks import Mark
from devices.safety.ranges import SLACK, covers
from devices.safety.requirement import Requirement


@dataclass(frozen=True, slots=True)
class Density:
    """OD over a range of wavelengths in nm, its ends included."""

    low_nm: float
    high_nm: float
    density: float

    def has_inside(self, wavelength_nm: float) -> bool:
        """Whether the wavelength is no end of the range, or the range is that one wavelength."""
        if self.low_nm == self.high_nm:
            return True
        return self.low_nm * (1 + SLACK) < wavelength_nm < self.high_nm * (1 - SLACK)


@dataclass(frozen=True, slots=True)
class Lens:
    """What a pair says of itself."""

    densities: tuple[Density, ...] = ()
    marks: tuple[Mark, ...] = ()

    def density_at(self, wavelength_nm: float) -> float | None:
        """OD at a wavelength, of its ranges or of its marks (LBn means OD n at least); or None.

        Where two ranges meet, the lower of them counts.
        """
        told = [one for one in self.densities if covers(one.low_nm, one.high_nm, wavelength_nm)]
        inside = [one.density for one in told if one.has_inside(wavelength_nm)]
        values = [max(inside)] if inside else [min(one.density for one in told)] if told else []
        values += [
            float(max(mark.levels.values())) for mark in self.marks if mark.speaks_of(wavelength_nm)
        ]
        return max(values, default=None)

    def number_at(self, level: Level, *, wavelength_nm: float) -> int | None:
        """The scale number that it has in the mode of a level, or None."""
        numbers = [
            mark.levels[level.mode]
            for mark in self.marks
            if level.mode in mark.levels and mark.speaks_of(wavelength_nm)
        ]
        return max(numbers, default=None)


class Short(StrEnum):
    """In what a pair falls short."""

    NOT_COVERED = "not_covered"
    DENSITY = "density"
    LEVEL = "level"


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Why a pair does not fit at a wavelength: what it would need, and what it has."""

    wavelength_nm: float
    short: Short
    needed: str
    has: str


def shortfalls(
    lens: Lens, requirements: Sequence[Requirement], *, levels: bool = True
) -> tuple[Shortfall, ...]:
    """All that keeps a pair from fitting; nothing means that it fits.

    `levels` False asks for OD alone, where EN 207 is not in use.
    """
    return tuple(one for need in requirements for one in _short(lens, need, levels=levels))


def fits(lens: Lens, requirements: Sequence[Requirement], *, levels: bool = True) -> bool:
    """Whether a pair suffices for every one of the requirements."""
    return not shortfalls(lens, requirements, levels=levels)


def _short(lens: Lens, need: Requirement, *, levels: bool) -> Iterator[Shortfall]:
    at = need.wavelength_nm
    density = lens.density_at(at)
    if density is None:
        yield Shortfall(at, Short.NOT_COVERED, need.text, "nothing at this wavelength")
        return
    if density < need.density - SLACK:
        yield Shortfall(at, Short.DENSITY, f"OD {need.density:.2f}", f"OD {density:g}")
    for one in need.levels if levels else ():
        number = lens.number_at(one, wavelength_nm=at)
        if number is None or number < one.number:
            has = "no mark" if number is None else f"{one.mode.value} LB{number}"
            yield Shortfall(at, Short.LEVEL, one.mark, has)
