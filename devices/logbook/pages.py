"""The pages of a logbook: A4 across, tables that repeat their heading, numbered pages."""

from collections.abc import Iterable
from dataclasses import dataclass
from io import BytesIO
from typing import Any, Final

from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from devices.logbook.contents import Column, Logbook, Section
from devices.logbook.fonts import BOLD, DIGITS, PLAIN, printable, register_fonts

WIDTH, HEIGHT = landscape(A4)
MARGIN: Final = 36.0
FOOT: Final = 58.0
SIZE: Final = 7.0
DIGIT_SIZE: Final = 5.5
LEADING: Final = 8.6
PAD: Final = 2.5
GREY: Final = 0.9


def logbook_pdf(book: Logbook) -> bytes:
    """The logbook as a PDF document. Time and memory grow with its rows."""
    register_fonts()
    pages = _Pages(book)
    pages.front()
    for section in book.sections:
        pages.section(section)
    pages.signatures()
    return pages.finished()


class _Numbered(Canvas):  # type: ignore[misc]
    """Knows how many pages there are when it draws the foot of each."""

    def __init__(self, *args: Any, book: Logbook, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._book = book
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802 - the library's name
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        count = len(self._pages)
        for number, page in enumerate(self._pages, start=1):
            self.__dict__.update(page)
            self._foot(number, count)
            super().showPage()
        super().save()

    def _foot(self, number: int, count: int) -> None:
        self.setFont(PLAIN, 6.5)
        self.line(MARGIN, FOOT - 8, WIDTH - MARGIN, FOOT - 8)
        self.drawString(MARGIN, FOOT - 18, printable(self._book.footer, PLAIN))
        self.drawRightString(WIDTH - MARGIN, FOOT - 18, f"Page {number} of {count}")
        lines = simpleSplit(self._book.caution, PLAIN, 6, WIDTH - 2 * MARGIN)
        self.setFont(PLAIN, 6)
        for index, line in enumerate(lines[:2]):
            self.drawString(MARGIN, FOOT - 27 - 7.5 * index, line)


@dataclass(frozen=True, slots=True)
class _Place:
    """A column with where it begins and how wide it is."""

    column: Column
    left: float
    width: float


class _Pages:
    """Draws from top to bottom and begins a new page where one is full."""

    def __init__(self, book: Logbook) -> None:
        self.book = book
        self.out = BytesIO()
        self.canvas = _Numbered(
            self.out, pagesize=(WIDTH, HEIGHT), book=book, invariant=1, pageCompression=1
        )
        self.canvas.setTitle(book.title)
        self.y = HEIGHT - MARGIN

    def front(self) -> None:
        self.canvas.setFont(BOLD, 14)
        self.canvas.drawString(MARGIN, self.y - 12, printable(self.book.title, BOLD))
        self.y -= 28
        for name, value in self.book.facts:
            lines = _lines(value, font=PLAIN, size=8, width=WIDTH - 2 * MARGIN - 130)
            self._room(10.5 * len(lines))
            self.canvas.setFont(BOLD, 8)
            self.canvas.drawString(MARGIN, self.y - 8, name)
            self.canvas.setFont(PLAIN, 8)
            for line in lines:
                self.canvas.drawString(MARGIN + 130, self.y - 8, line)
                self.y -= 10.5
        self.y -= 6

    def section(self, section: Section) -> None:
        places = _places(section.columns)
        self._room(60)
        self.y -= 8
        self.canvas.setFont(BOLD, 10)
        self.canvas.drawString(MARGIN, self.y - 9, printable(section.title, BOLD))
        self.y -= 16
        if not section.rows:
            self._line("Nothing in this period.")
            return
        self._heading(places)
        for row in section.rows:
            cells = [
                _lines(text, font=_font(one.column), size=_size(one.column), width=one.width)
                for one, text in zip(places, row, strict=True)
            ]
            height = LEADING * max(map(len, cells)) + PAD
            if self.y - height < FOOT:
                self._page()
                self._heading(places)
            self._row(places, cells, height)
        if section.total:
            self._room(12)
            self.canvas.setFont(BOLD, SIZE + 0.5)
            self.canvas.drawString(MARGIN + PAD, self.y - 9, section.total)
            self.y -= 14

    def signatures(self) -> None:
        self._room(34.0 * len(self.book.signatures) + 24)
        self.y -= 10
        self.canvas.setFont(BOLD, 10)
        self.canvas.drawString(MARGIN, self.y - 9, "Signatures")
        self.y -= 14
        for role in self.book.signatures:
            self.y -= 30
            self.canvas.setFont(PLAIN, 7.5)
            for left, width, said in ((0, 200, role), (230, 240, "Name"), (500, 90, "Date")):
                self.canvas.drawString(MARGIN + left, self.y, said)
                start = MARGIN + left + stringWidth(said, PLAIN, 7.5) + 5
                self.canvas.line(start, self.y - 1, MARGIN + left + width, self.y - 1)
            start = MARGIN + 620
            self.canvas.drawString(start, self.y, "Signature")
            self.canvas.line(start + 40, self.y - 1, WIDTH - MARGIN, self.y - 1)
            self.y -= 4

    def finished(self) -> bytes:
        self.canvas.showPage()
        self.canvas.save()
        return self.out.getvalue()

    def _room(self, height: float) -> None:
        if self.y - height < FOOT:
            self._page()

    def _page(self) -> None:
        self.canvas.showPage()
        self.y = HEIGHT - MARGIN

    def _line(self, text: str) -> None:
        self.canvas.setFont(PLAIN, SIZE + 0.5)
        self.canvas.drawString(MARGIN + PAD, self.y - 8, text)
        self.y -= 12

    def _heading(self, places: list[_Place]) -> None:
        cells = [
            _lines(one.column.heading, font=BOLD, size=SIZE, width=one.width) for one in places
        ]
        height = LEADING * max(map(len, cells)) + PAD
        self.canvas.setFillGray(GREY)
        self.canvas.rect(MARGIN, self.y - height, WIDTH - 2 * MARGIN, height, stroke=0, fill=1)
        self.canvas.setFillGray(0)
        self._cells(places, cells, heading=True)
        self.y -= height

    def _row(self, places: list[_Place], cells: list[list[str]], height: float) -> None:
        self._cells(places, cells, heading=False)
        self.y -= height
        self.canvas.setLineWidth(0.25)
        self.canvas.line(MARGIN, self.y, WIDTH - MARGIN, self.y)

    def _cells(self, places: list[_Place], cells: list[list[str]], *, heading: bool) -> None:
        for place, lines in zip(places, cells, strict=True):
            font = BOLD if heading else _font(place.column)
            self.canvas.setFont(font, SIZE if heading else _size(place.column))
            for index, line in enumerate(lines):
                y = self.y - LEADING * (index + 1) + 1
                if place.column.right:
                    self.canvas.drawRightString(place.left + place.width, y, line)
                else:
                    self.canvas.drawString(place.left, y, line)


def _places(columns: Iterable[Column]) -> list[_Place]:
    columns = list(columns)
    unit = (WIDTH - 2 * MARGIN) / sum(column.share for column in columns)
    places, left = [], MARGIN
    for column in columns:
        width = column.share * unit
        places.append(_Place(column, left + PAD, width - 2 * PAD))
        left += width
    return places


def _font(column: Column) -> str:
    return DIGITS if column.digits else PLAIN


def _size(column: Column) -> float:
    return DIGIT_SIZE if column.digits else SIZE


def _lines(text: str, *, font: str, size: float, width: float) -> list[str]:
    """The text in lines that fit; a word longer than a line is broken."""
    shown = printable(text, font)
    if "\n" not in shown and stringWidth(shown, font, size) <= width:
        return [shown]
    lines: list[str] = []
    for part in simpleSplit(shown, font, size, width) or [""]:
        rest = part
        while stringWidth(rest, font, size) > width and len(rest) > 1:
            fits = max(1, int(len(rest) * width / stringWidth(rest, font, size)))
            while fits > 1 and stringWidth(rest[:fits], font, size) > width:
                fits -= 1
            lines.append(rest[:fits])
            rest = rest[fits:]
        lines.append(rest)
    return lines
