"""Days and times as people read them, in the languages that have texts; else as ISO 8601."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Final

WEEKDAYS: Final[Mapping[str, str]] = {
    "en": "Monday Tuesday Wednesday Thursday Friday Saturday Sunday",
    "de": "Montag Dienstag Mittwoch Donnerstag Freitag Samstag Sonntag",
}
MONTHS: Final[Mapping[str, str]] = {
    "en": ("January February March April May June July August September October November December"),
    "de": "Januar Februar März April Mai Juni Juli August September Oktober November Dezember",
}
STOP: Final = {"en": "", "de": "."}
AT: Final = {"en": "{day} at {time}", "de": "{day} um {time} Uhr"}


def day_of_month(day: date, *, language: str) -> str:
    """Such as "29 March" or "29. März"."""
    if language not in MONTHS:
        return day.isoformat()
    return f"{day.day}{STOP[language]} {MONTHS[language].split()[day.month - 1]}"


def whole_day(day: date, *, language: str) -> str:
    """Such as "Sunday 29 March 2026" or "Sonntag, 29. März 2026"."""
    if language not in MONTHS:
        return day.isoformat()
    weekday = WEEKDAYS[language].split()[day.weekday()]
    comma = "," if language == "de" else ""
    return f"{weekday}{comma} {day_of_month(day, language=language)} {day.year}"


def day_and_time(local: datetime, *, language: str) -> str:
    """Such as "Sunday 29 March 2026 at 10:00"; `local` is wall time."""
    day = whole_day(local.date(), language=language)
    pattern = AT.get(language, "{day} {time}")
    return pattern.format(day=day, time=f"{local:%H:%M}")
