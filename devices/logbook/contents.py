"""What a logbook says, as plain text in tables."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table: its heading, its share of the width, how it is set."""

    heading: str
    share: float
    right: bool = False
    digits: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and a table; without rows it says so. Cells are text, line by line."""

    title: str
    columns: tuple[Column, ...]
    rows: Sequence[tuple[str, ...]]
    total: str = ""


@dataclass(frozen=True, slots=True)
class Logbook:
    """A whole logbook. `facts` are pairs of what and which; `footer` stands on each page."""

    title: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    signatures: tuple[str, ...]
    caution: str
    footer: str
