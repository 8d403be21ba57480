"""How a chain's own files name the fields of a reading."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

FIELDS: Final = (
    "serial",
    "counter_kind",
    "counter_name",
    "read_at",
    "value",
    "unit",
    "occasion",
    "step",
    "part_serial",
    "first_value",
    "note",
)
"""What a file can say of a reading; `serial` is that of the laser or the handpiece."""

NEEDED: Final = frozenset({"serial", "counter_kind", "read_at", "value", "unit"})
MUST_BE_COLUMNS: Final = frozenset({"serial", "read_at", "value"})
DELIMITERS: Final = (",", ";", "\t", "|")
ENCODINGS: Final = ("utf-8", "utf-16", "iso-8859-1", "iso-8859-15", "windows-1252")


class LayoutWrong(ValueError):
    """A layout that no file could be read with: `field` names where, `message` says why."""

    def __init__(self, name: str, message: str) -> None:
        super().__init__(message)
        self.field = name
        self.message = message


@dataclass(frozen=True, slots=True)
class Layout:
    """Field -> heading of its column, and field -> fixed value where a file has no such column."""

    columns: Mapping[str, str]
    fixed: Mapping[str, str] = field(default_factory=dict)
    delimiter: str = ","
    encoding: str = "utf-8"
    time_format: str = ""

    def check(self) -> None:
        """Raise LayoutWrong unless every field that a reading needs has a column or a value."""
        self._check_fields()
        headings = [heading.strip() for heading in self.columns.values()]
        if not all(headings) or len(set(headings)) < len(headings):
            raise LayoutWrong("columns", "Each field has a heading of its own, not empty.")
        if self.delimiter not in DELIMITERS:
            raise LayoutWrong("delimiter", f"One of {list(DELIMITERS)}.")
        if self.encoding.lower() not in ENCODINGS:
            raise LayoutWrong("encoding", f"One of {list(ENCODINGS)}.")

    def _check_fields(self) -> None:
        for part in ("columns", "fixed"):
            if unknown := sorted(set(getattr(self, part)) - set(FIELDS)):
                raise LayoutWrong(part, f"There are no fields {unknown}.")
        if missing := sorted(MUST_BE_COLUMNS - set(self.columns)):
            raise LayoutWrong("columns", f"These need a column: {missing}.")
        if missing := sorted(NEEDED - set(self.columns) - set(self.fixed)):
            raise LayoutWrong("fixed", f"These need a column or a fixed value: {missing}.")
        if both := sorted(set(self.columns) & set(self.fixed)):
            raise LayoutWrong("fixed", f"These have a column and a fixed value: {both}.")
