"""Tables as CSV (RFC 4180) that a spreadsheet reads as data, never as a formula."""

import csv
from collections.abc import Iterable, Sequence
from io import StringIO
from typing import Any, Final

from rest_framework.renderers import JSONRenderer

MEDIA_TYPE: Final = "text/csv"
CONTENT_TYPE: Final = "text/csv; charset=utf-8; header=present"
FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


class CsvRenderer(JSONRenderer):
    """What a view lists when it can answer in CSV; the text is made by the view."""

    media_type = MEDIA_TYPE
    format = "csv"


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """A heading and rows, each ended by CRLF. None is empty; texts are made safe, numbers kept."""
    out = StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([[_cell(value) for value in row] for row in rows])
    return out.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.lstrip(" ").startswith(FORMULA):
        return f"'{value}"
    return "" if value is None else value
