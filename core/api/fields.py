"""Fields that keep the API's rules about instants, zones and whose rows count."""

from collections.abc import Iterable
from datetime import UTC, date, datetime
from functools import cache
from typing import Any, Final
from zoneinfo import available_timezones

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail

# Years that people and devices live in. Beyond them sums of dates leave the calendar.
YEARS: Final = range(1900, 2200)
MAX_KEY: Final = 2**63 - 1


class AwareDateTimeField(serializers.DateTimeField):
    """An instant: RFC 3339 with an offset. Given and kept in UTC; a naive one is refused."""

    default_error_messages = {
        "naive": "Give the offset from UTC too, such as 2027-03-01T09:00:00+01:00.",
    }

    def enforce_timezone(self, value: datetime) -> datetime:
        if value.tzinfo is None:
            self.fail("naive")
        try:
            return value.astimezone(UTC)
        except OverflowError:
            self.fail("overflow")

    def to_internal_value(self, value: Any) -> datetime:
        instant = super().to_internal_value(value)
        if instant.year not in YEARS:
            self.fail("overflow")
        return instant


class DayField(serializers.DateField):
    """A calendar date in the years that people and devices live in."""

    default_error_messages = {
        "overflow": f"Give a date in the years {YEARS[0]} to {YEARS[-1]}.",
    }

    def to_internal_value(self, value: Any) -> date:
        day = super().to_internal_value(value)
        if day.year not in YEARS:
            self.fail("overflow")
        return day


# No "time" of RFC 3339, which has seconds and an offset.
@extend_schema_field({"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9])?$"})
class WallTimeField(serializers.TimeField):
    """Wall time, as a clock on the spot shows it, to the minute: `HH:MM`."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"format": "%H:%M", "input_formats": ["%H:%M", "%H:%M:%S"], **kwargs})


@cache
def zone_names() -> frozenset[str]:
    """The IANA names that stand for a place (or UTC); no aliases of the machine's own set-up."""
    return frozenset(
        name for name in available_timezones() if "/" in name and not name.startswith("Etc/")
    ) | {"UTC"}


class TimeZoneField(serializers.CharField):
    """The IANA name of a time zone."""

    default_error_messages = {"unknown": "No IANA time zone has the name {name}."}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"max_length": 64, **kwargs})

    def to_internal_value(self, data: Any) -> str:
        name = super().to_internal_value(data)
        if name not in zone_names():
            self.fail("unknown", name=name)
        return name


class VisibleRelatedField(serializers.PrimaryKeyRelatedField[Any]):
    """A row by its key, among those that the caller may see; any other does not exist.

    A key is a whole number: a fraction is refused, not cut.
    """

    def to_internal_value(self, data: Any) -> Any:
        whole = isinstance(data, int) and not isinstance(data, bool)
        if not whole and not (isinstance(data, str) and data.isascii() and data.isdigit()):
            self.fail("incorrect_type", data_type=type(data).__name__)
        return super().to_internal_value(data)

    def get_queryset(self) -> Any:
        rows: Any = super().get_queryset()
        if rows is None:
            return None
        return rows.visible_to(self.context["request"].actor)


class KeyField(serializers.IntegerField):
    """The key of a row: a whole number, as VisibleRelatedField takes it."""

    default_error_messages = {
        "incorrect_type": "Incorrect type. Expected pk value, received {data_type}.",
        "does_not_exist": 'Invalid pk "{pk_value}" - object does not exist.',
    }

    def to_internal_value(self, data: Any) -> int:
        whole = isinstance(data, int) and not isinstance(data, bool)
        if not whole and not (isinstance(data, str) and data.isascii() and data.isdigit()):
            self.fail("incorrect_type", data_type=type(data).__name__)
        key = super().to_internal_value(data)
        if not 0 < key <= MAX_KEY:
            self.fail("does_not_exist", pk_value=data)
        return key


class VisibleRowsField(serializers.ListField):
    """Several rows by their keys, among those that the caller may see; one query for all."""

    def __init__(self, *, queryset: Any, **kwargs: Any) -> None:
        self.queryset = queryset
        super().__init__(child=KeyField(), **kwargs)

    def to_internal_value(self, data: Any) -> list[Any]:
        keys = super().to_internal_value(data)
        rows = visible_rows(self.queryset, keys, actor=self.context["request"].actor)
        missing: Any = {n: [unseen(key)] for n, key in enumerate(keys) if key not in rows}
        if missing:
            raise serializers.ValidationError(missing)
        return [rows[key] for key in keys]


def visible_rows(queryset: Any, keys: Iterable[int], *, actor: Any) -> dict[int, Any]:
    """Those of these rows that the actor may see, by key. One query."""
    rows: dict[int, Any] = queryset.visible_to(actor).in_bulk({*keys})
    return rows


def unseen(key: int) -> ErrorDetail:
    """What is said of a key that is nobody's, or another chain's."""
    return ErrorDetail(f'Invalid pk "{key}" - object does not exist.', code="does_not_exist")
