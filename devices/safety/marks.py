"""The mark on eyewear after EN 207: wavelengths, modes and scale numbers.

`1064 D LB6 + IR LB8`: at 1064 nm LB6 against a continuous beam and LB8 against long and short
pulses. `800-1100 DIRM LB5` and `>800-1100 D LB7` speak of a range, without its lower end where
the sign stands. What follows the last number (maker's and test house's marks) is not read here.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from devices.safety.errors import MarkUnreadable
from devices.safety.levels import HIGHEST
from devices.safety.ranges import covers
from devices.safety.vocabulary import Mode

LONGEST_MARK: Final = 120
_WAVELENGTHS: Final = re.compile(
    r"(>)?\s*(\d{3,5})(?:\s*-\s*(\d{3,5}))?\s*(?:nm\s+)?", re.IGNORECASE
)
_LEVEL: Final = re.compile(r"\s*(\+)?\s*([DIRM]{1,4})\s*LB\s*(\d{1,2})(?!\d)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark that was read: a range of wavelengths in nm and the number for each mode."""

    low_nm: int
    high_nm: int
    levels: Mapping[Mode, int]
    low_included: bool = True

    def speaks_of(self, wavelength_nm: float) -> bool:
        """Whether the mark covers the wavelength."""
        if not self.low_included and wavelength_nm <= self.low_nm:
            return False
        return covers(self.low_nm, self.high_nm, wavelength_nm)

    @property
    def text(self) -> str:
        """The mark in its plain form."""
        start = ("" if self.low_included else ">") + str(self.low_nm)
        range_text = start if self.low_nm == self.high_nm else f"{start}-{self.high_nm}"
        by_number: dict[int, str] = {}
        for mode, number in self.levels.items():
            by_number[number] = by_number.get(number, "") + mode.value
        return f"{range_text} " + " + ".join(f"{modes} LB{n}" for n, modes in by_number.items())


# The same few marks are read again at every booking.
@lru_cache(maxsize=4096)
def read_mark(text: str) -> Mark:
    """Read a mark of EN 207. Raises MarkUnreadable, saying what is wrong."""
    given = " ".join(text.split()).replace("–", "-")
    if len(given) > LONGEST_MARK:
        raise MarkUnreadable(given[:LONGEST_MARK], reason="There are too many characters")
    found = _WAVELENGTHS.match(given)
    if found is None:
        raise MarkUnreadable(given, reason="There is no wavelength at the start")
    low = int(found[2])
    high = int(found[3] or low)
    if not 180 <= low <= high <= 20000 or (found[1] and low == high):
        raise MarkUnreadable(given, reason="The range of wavelengths is not one")
    levels = _levels(given, start=found.end())
    return Mark(low, high, levels, low_included=not found[1])


def _levels(given: str, *, start: int) -> dict[Mode, int]:
    levels: dict[Mode, int] = {}
    while found := _LEVEL.match(given, start):
        number = int(found[3])
        if not 1 <= number <= HIGHEST:
            raise MarkUnreadable(given, reason=f"LB{number} is not on the scale of LB1 to LB10")
        for letter in found[2].upper():
            if Mode(letter) in levels:
                raise MarkUnreadable(given, reason=f"{letter} stands twice")
            levels[Mode(letter)] = number
        start = found.end()
    rest = given[start:]
    if not levels or "LB" in rest.upper() or "+" in rest:
        raise MarkUnreadable(given, reason="There is no mode with its number (as in D LB6)")
    return {mode: levels[mode] for mode in Mode if mode in levels}
