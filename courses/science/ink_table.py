"""Which wavelength answers which ink: grades with their sources.

Columns 532, 694, 755, 785 and 1064 nm, the lines used for tattoo ink. `published` rows were read
in an abstract or paper, `memory` rows were not; each entry says which.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from courses.science.basis import Kind
from courses.vocabulary import InkColour

TABLE_VERSION = "1"
NOMINAL_NM = (532, 694, 755, 785, 1064)
MATCH_NM = 5.0


class Grade(StrEnum):
    """How well an ink answers a wavelength."""

    FIRST = "first_choice"
    WORKS = "works"
    PARTIAL = "partial"
    POOR = "poor"
    UNKNOWN = "unknown"


POINTS: Mapping[Grade, int] = {
    Grade.FIRST: 3,
    Grade.WORKS: 2,
    Grade.PARTIAL: 1,
    Grade.POOR: 0,
    Grade.UNKNOWN: 0,
}


@dataclass(frozen=True, slots=True)
class Entry:
    """One cell. `picosecond` is the grade where it differs for picosecond pulses.

    `clearance` is the published mean clearance after 4 sessions, a fraction, where there is one.
    """

    grade: Grade
    kind: Kind
    source: str
    picosecond: Grade | None = None
    clearance: float | None = None

    def grade_for(self, *, picosecond: bool) -> Grade:
        """The grade for a pulse class."""
        return self.picosecond if picosecond and self.picosecond is not None else self.grade


_BERNSTEIN = "Bernstein 2018, Lasers Surg Med 50:704 (785 nm picosecond, 4 sessions)"
_CHOI = "Choi 2018, PLoS One e0203370 (animal; secondary account)"
_KILMER = "Kilmer 1993, Arch Dermatol 129:971"
_LEUENBERGER = "Leuenberger 1999, Dermatol Surg 25:10 (blue-black, abstract)"
_BALEISIS = "Baleisis 2023, Sci Rep 13:13062 (pig, 150 ps)"
_MEMORY = "textbook tables, from memory"
_OXIDES = "Varma 2002 and earlier reports of darkening; oxides of iron and titanium"


def _read(grade: Grade, source: str) -> Entry:
    return Entry(grade=grade, kind=Kind.PUBLISHED, source=source)


def _memory(grade: Grade) -> Entry:
    return Entry(grade=grade, kind=Kind.MEMORY, source=_MEMORY)


def _at_785(clearance: float) -> Entry:
    """Bernstein 2018 measured picosecond pulses only: nothing is known of longer ones."""
    grade = Grade.WORKS if clearance >= 0.6 else Grade.POOR
    return Entry(
        grade=Grade.UNKNOWN if grade is Grade.WORKS else grade,
        kind=Kind.PUBLISHED,
        source=_BERNSTEIN,
        picosecond=grade,
        clearance=clearance,
    )


_POOR = _memory(Grade.POOR)
_NONE = {nm: _read(Grade.POOR, _OXIDES) for nm in NOMINAL_NM}

# Inside a row: best first among equals.
INK_TABLE: Mapping[InkColour, Mapping[int, Entry]] = {
    InkColour.BLACK: {
        1064: _read(Grade.FIRST, f"{_KILMER}; Leuenberger 1999"),
        694: _read(Grade.FIRST, _LEUENBERGER),
        755: _read(Grade.WORKS, "Fitzpatrick & Goldman 1994, Arch Dermatol 130:1508"),
        785: _at_785(0.61),
        532: _read(Grade.PARTIAL, _CHOI),
    },
    InkColour.BLUE_BLACK: {
        694: _read(Grade.FIRST, _LEUENBERGER),
        755: _read(Grade.WORKS, _LEUENBERGER),
        1064: _read(Grade.WORKS, _LEUENBERGER),
        532: _POOR,
        785: _POOR,
    },
    InkColour.DARK_BLUE: {
        694: _read(Grade.FIRST, _LEUENBERGER),
        755: _read(Grade.WORKS, _LEUENBERGER),
        1064: _read(Grade.WORKS, _LEUENBERGER),
        532: _POOR,
        785: _POOR,
    },
    InkColour.BLUE: {
        755: _memory(Grade.FIRST),
        785: _at_785(0.81),
        694: _memory(Grade.WORKS),
        1064: _read(Grade.PARTIAL, _BALEISIS),
        532: _read(Grade.PARTIAL, _BALEISIS),
    },
    InkColour.GREEN: {
        755: Entry(
            Grade.FIRST, Kind.MEMORY, "Brauer 2012 (755 nm picosecond), figures from memory"
        ),
        694: _memory(Grade.WORKS),
        785: _at_785(0.74),
        1064: _read(Grade.PARTIAL, f"{_BALEISIS}; poor in older accounts"),
        532: _POOR,
    },
    InkColour.TURQUOISE: {
        755: _memory(Grade.FIRST),
        694: _memory(Grade.WORKS),
        785: Entry(Grade.UNKNOWN, Kind.MEMORY, _MEMORY, picosecond=Grade.WORKS),
        532: _POOR,
        1064: _POOR,
    },
    InkColour.PURPLE: {
        755: _memory(Grade.WORKS),
        694: _memory(Grade.WORKS),
        785: _at_785(0.85),
        1064: _memory(Grade.PARTIAL),
        532: _memory(Grade.PARTIAL),
    },
    InkColour.RED: {
        532: _read(Grade.FIRST, _CHOI),
        694: _POOR,
        755: _POOR,
        785: _at_785(0.11),
        1064: _read(Grade.POOR, f"{_KILMER}: bright colours respond little"),
    },
    InkColour.ORANGE: {
        532: _read(Grade.FIRST, _CHOI),
        694: _POOR,
        755: _POOR,
        785: _POOR,
        1064: _read(Grade.POOR, f"{_KILMER}: bright colours respond little"),
    },
    InkColour.YELLOW: {
        532: Entry(
            Grade.PARTIAL,
            Kind.PUBLISHED,
            f"{_CHOI}; Alabdulrazzaq 2015 (picosecond, n = 6, figures from memory)",
            picosecond=Grade.WORKS,
        ),
        694: _POOR,
        755: _POOR,
        785: _at_785(0.05),
        1064: _read(Grade.POOR, f"{_KILMER}: bright colours respond little"),
    },
    InkColour.BROWN: {
        1064: _memory(Grade.WORKS),
        532: _memory(Grade.WORKS),
        755: _read(Grade.PARTIAL, "eyebrow series, picosecond 755 and 532 nm, 98 patients"),
        694: _memory(Grade.PARTIAL),
        785: _POOR,
    },
    InkColour.WHITE: _NONE,
    InkColour.FLESH: _NONE,
    InkColour.PINK: _NONE,
    InkColour.FLUORESCENT: dict.fromkeys(NOMINAL_NM, _POOR),
}

# Inks with oxides that light can reduce: rust to black, white titania to blue-grey.
DARKENING_INKS = frozenset({InkColour.WHITE, InkColour.FLESH, InkColour.PINK, InkColour.BROWN})
DARKENING_REPORTED = frozenset({InkColour.RED, InkColour.YELLOW})


def nominal_nm(wavelength_nm: float) -> int | None:
    """The column of the table for a wavelength (within 5 nm), or None when it has none."""
    nearest = min(NOMINAL_NM, key=lambda nm: abs(nm - wavelength_nm))
    return nearest if abs(nearest - wavelength_nm) <= MATCH_NM else None


def grade_of(colour: InkColour, *, wavelength_nm: float, picosecond: bool) -> Grade:
    """How well an ink answers a wavelength with nanosecond or picosecond pulses.

    UNKNOWN where the table has no column within 5 nm or no figure for the pulse class.
    """
    nominal = nominal_nm(wavelength_nm)
    if nominal is None:
        return Grade.UNKNOWN
    return INK_TABLE[colour][nominal].grade_for(picosecond=picosecond)
