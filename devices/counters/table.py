"""A CSV file (RFC 4180) of readings, cell by cell: what it says, or what is wrong where."""

import codecs
import csv
import io
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, Final

from devices.counters.layout import Layout
from devices.vocabulary import CounterKind, CounterStep, CounterUnit, ReadingOccasion

MOST_ROWS: Final = 20_000
MOST_CELL: Final = 400
YEARS: Final = range(1900, 2200)
MOST_VALUE: Final = 10**15
WHOLE: Final = re.compile(r"[0-9]{1,16}")
MARKS: Final = (codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


@dataclass(frozen=True, slots=True)
class CellError:
    """What is wrong: in which row (the heading is row 1), in which column, by its own heading."""

    row: int
    column: str
    code: str
    detail: str


@dataclass(frozen=True, slots=True)
class ReadRow:
    """One reading as a file has it. `read_at` may be naive: the clinic's wall time."""

    row: int
    serial: str
    counter_kind: CounterKind
    counter_name: str
    read_at: datetime
    value: int
    unit: CounterUnit
    occasion: ReadingOccasion
    step: CounterStep
    part_serial: str
    first_value: int
    note: str


@dataclass(frozen=True, slots=True)
class Table:
    """The rows that can be read, and everything that is wrong with the others."""

    rows: tuple[ReadRow, ...]
    errors: tuple[CellError, ...]
    seen: int


class _Wrong(ValueError):
    def __init__(self, code: str, detail: str) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail


def read_table(raw: bytes, *, layout: Layout) -> Table:
    """Read a whole file. A byte-order mark is taken off, whatever the layout's encoding.

    What is wrong with the file as a whole stands in row 1.
    """
    try:
        text = _decode(raw, encoding=layout.encoding)
        lines = csv.reader(io.StringIO(text, newline=""), delimiter=layout.delimiter, strict=True)
        heading = [cell.strip() for cell in next(lines, [])]
        places = _places(heading, layout=layout)
        rows, errors, seen = _rows(lines, places=places, layout=layout, width=len(heading))
    except _Wrong as wrong:
        return Table((), (CellError(1, "", wrong.code, wrong.detail),), 0)
    return Table(tuple(rows), tuple(errors), seen)


def _decode(raw: bytes, *, encoding: str) -> str:
    if raw.startswith(MARKS[1:]):
        encoding = "utf-16"
    elif raw.startswith(codecs.BOM_UTF8):
        encoding = "utf-8-sig"
    try:
        text = raw.decode(encoding)
    except UnicodeError as error:
        raise _Wrong("encoding", f"This is not {encoding}: {error}.") from error
    if "\0" in text:
        raise _Wrong("encoding", "The file has a zero character; is it a text file?")
    return text


def _places(heading: list[str], *, layout: Layout) -> dict[str, int]:
    wanted = {name: told.strip() for name, told in layout.columns.items()}
    if missing := [told for told in wanted.values() if told not in heading]:
        raise _Wrong("columns_missing", f"No column is headed {missing}; there are {heading}.")
    if twice := sorted({told for told in wanted.values() if heading.count(told) > 1}):
        raise _Wrong("columns_twice", f"More than one column is headed {twice}.")
    return {name: heading.index(told) for name, told in wanted.items()}


def _rows(
    lines: Any, *, places: Mapping[str, int], layout: Layout, width: int
) -> tuple[list[ReadRow], list[CellError], int]:
    rows: list[ReadRow] = []
    errors: list[CellError] = []
    seen, number = 0, 1
    try:
        for number, cells in enumerate(lines, start=2):
            if not any(cell.strip() for cell in cells):
                continue
            seen += 1
            if seen > MOST_ROWS:
                raise _Wrong("too_many_rows", f"A file has {MOST_ROWS} readings at most.")
            if len(cells) != width:
                detail = f"{len(cells)} cells; the heading has {width}."
                errors.append(CellError(number, "", "cells", detail))
                continue
            told = {**layout.fixed, **{name: cells[at].strip() for name, at in places.items()}}
            found = _row(told, row=number, layout=layout, errors=errors)
            rows += [found] if found is not None else []
    except csv.Error as error:
        errors.append(CellError(number + 1, "", "csv", f"This is not CSV: {error}."))
    if not seen and not errors:
        raise _Wrong("empty", "The file has no readings.")
    return rows, errors, seen


def _row(
    told: Mapping[str, str], *, row: int, layout: Layout, errors: list[CellError]
) -> ReadRow | None:
    before = len(errors)

    def cell(name: str, read: Callable[[str], Any], *, default: Any = None) -> Any:
        text = told.get(name, "")
        if not text and default is not None:
            return default
        try:
            if len(text) > MOST_CELL:
                raise _Wrong("too_long", f"At most {MOST_CELL} characters.")
            return read(text)
        except _Wrong as wrong:
            errors.append(CellError(row, layout.columns.get(name, name), wrong.code, wrong.detail))
            return None

    found = ReadRow(
        row=row,
        serial=cell("serial", _text),
        counter_kind=cell("counter_kind", _one_of(CounterKind)),
        counter_name=told.get("counter_name", ""),
        read_at=cell("read_at", _time(layout.time_format)),
        value=cell("value", _whole),
        unit=cell("unit", _one_of(CounterUnit)),
        occasion=cell("occasion", _one_of(ReadingOccasion), default=ReadingOccasion.OTHER),
        step=cell("step", _one_of(CounterStep), default=CounterStep.COUNTED),
        part_serial=told.get("part_serial", ""),
        first_value=cell("first_value", _whole, default=0),
        note=cell("note", str, default=""),
    )
    return found if len(errors) == before else None


def _text(text: str) -> str:
    if not text:
        raise _Wrong("required", "This cell is empty.")
    return text


def _whole(text: str) -> int:
    if text.startswith("-"):
        raise _Wrong("negative", "A counter shows 0 or more.")
    if not WHOLE.fullmatch(text) or int(text) > MOST_VALUE:
        raise _Wrong("number", "A whole number in digits alone, without separators.")
    return int(text)


def _one_of(vocabulary: type[StrEnum]) -> Callable[[str], StrEnum]:
    def read(text: str) -> StrEnum:
        try:
            return vocabulary(text.lower())
        except ValueError:
            known = ", ".join(code.value for code in vocabulary)
            raise _Wrong("unknown", f"One of {known}.") from None

    return read


def _time(time_format: str) -> Callable[[str], datetime]:
    def read(text: str) -> datetime:
        try:
            if time_format:
                told = datetime.strptime(text, time_format)  # noqa: DTZ007 - the clinic's own time
            else:
                told = datetime.fromisoformat(text)
        except ValueError:
            asked = f"like {time_format}" if time_format else "as ISO 8601 has it"
            raise _Wrong("instant", f"A date and time {asked}.") from None
        if told.year not in YEARS:
            raise _Wrong("instant", f"A date in the years {YEARS[0]} to {YEARS[-1]}.")
        return told

    return read
