"""Plain words for dates and lists of wavelengths."""

from collections.abc import Iterable
from datetime import date

from courses.slots.request import InkNeed


def listed(words: Iterable[str], *, last: str = "and") -> str:
    """'a', 'a and b', 'a, b and c'."""
    *most, final = list(words) or [""]
    return f"{', '.join(most)} {last} {final}" if most else final


def nanometres(wavelengths_nm: Iterable[int]) -> str:
    """'532 nm', '532 and 1064 nm', ascending."""
    return f"{listed(map(str, sorted(wavelengths_nm)))} nm"


def alternatives(need: InkNeed) -> str:
    """'755 nm', '755 or 694 nm', best first."""
    return f"{listed(map(str, need.wavelengths_nm), last='or')} nm"


def wanted(needs: Iterable[InkNeed]) -> str:
    """What several needs ask for, each once: '1064 nm and 755 or 694 nm'."""
    return listed(dict.fromkeys(alternatives(need) for need in needs))


def long_date(day: date) -> str:
    """'12 March 2026'."""
    return f"{day.day} {day:%B %Y}"
