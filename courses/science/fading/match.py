"""From the wavelengths fired to how well they suited an ink."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from courses.science.fading.model import Match
from courses.science.ink_table import INK_TABLE, MATCH_NM, Grade
from courses.science.wavelengths import InkPart, required_wavelengths
from courses.vocabulary import InkColour, SkinType

# An ink of which nothing is known at a wavelength is taken as answering in part (proposal).
MATCH_OF: Mapping[Grade, Match] = {
    Grade.FIRST: Match.FIRST,
    Grade.WORKS: Match.WORKS,
    Grade.PARTIAL: Match.PARTIAL,
    Grade.POOR: Match.POOR,
    Grade.UNKNOWN: Match.PARTIAL,
}
ORDER = tuple(Match)


@dataclass(frozen=True, slots=True)
class FiredLine:
    """A wavelength that was, or will be, fired, and whether its pulses are picoseconds."""

    wavelength_nm: float
    picosecond: bool = False


def match_for(colour: InkColour, *, lines: Iterable[FiredLine]) -> Match:
    """How well the best of the lines suits an ink; poor when there is none.

    A wavelength further than 5 nm from every column of the ink table counts as poor.
    """
    found = [match for line in lines if (match := _match(colour, line=line)) is not None]
    return min(found, key=ORDER.index, default=Match.POOR)


@lru_cache(maxsize=4096)
def planned_match(colour: InkColour, *, skin_type: SkinType, lines: tuple[FiredLine, ...]) -> Match:
    """How well coming sessions will suit an ink: the best of the lines that suit ink and skin."""
    accepted = required_wavelengths((InkPart(colour=colour),), skin_type)[0].wavelengths_nm
    return match_for(
        colour,
        lines=[
            line
            for line in lines
            if any(abs(line.wavelength_nm - nm) <= MATCH_NM for nm in accepted)
        ],
    )


def _match(colour: InkColour, *, line: FiredLine) -> Match | None:
    for nominal, entry in INK_TABLE[colour].items():
        if abs(nominal - line.wavelength_nm) <= MATCH_NM:
            return MATCH_OF[entry.grade_for(picosecond=line.picosecond)]
    return None
