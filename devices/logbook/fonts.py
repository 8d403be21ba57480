"""Fonts that know more than western letters; a sign that they lack is shown by its number.

The files come with matplotlib, which the survival statistics need anyway. They cover Latin, Greek
and Cyrillic letters with their marks and more, but neither Chinese, Japanese nor Korean.
"""

from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

PLAIN: Final = "FallowPlain"
BOLD: Final = "FallowBold"
DIGITS: Final = "FallowDigits"
FILES: Final = {PLAIN: "DejaVuSans", BOLD: "DejaVuSans-Bold", DIGITS: "DejaVuSansMono"}


@cache
def register_fonts() -> None:
    """Make the fonts known, once in each process."""
    found = find_spec("matplotlib")
    if found is None or found.origin is None:
        raise FileNotFoundError("The fonts of matplotlib are missing.")
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    for name, file in FILES.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{file}.ttf")))


def printable(text: str, font: str) -> str:
    """The text, with [U+....] for each sign that the font does not have."""
    glyphs: Any = pdfmetrics.getFont(font).face.charToGlyph
    known = {sign for sign in {*text} if sign == "\n" or ord(sign) in glyphs}
    return "".join(one if one in known else f"[U+{ord(one):04X}]" for one in text)
