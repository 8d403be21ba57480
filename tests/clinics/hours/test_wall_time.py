from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest

from clinics.hours import UnknownZone, instant_at, local_date, local_day_start, zone_named

BERLIN = ZoneInfo("Europe/Berlin")


def test_wall_time_that_is_skipped_uses_the_offset_before_the_gap():
    assert instant_at(date(2026, 3, 29), time(2, 30), zone=BERLIN) == datetime(
        2026, 3, 29, 1, 30, tzinfo=UTC
    )


def test_wall_time_that_comes_twice_is_the_first_one():
    assert instant_at(date(2026, 10, 25), time(2, 30), zone=BERLIN) == datetime(
        2026, 10, 25, 0, 30, tzinfo=UTC
    )


def test_day_that_has_no_midnight_starts_when_the_clocks_change():
    # Clocks in Beirut go from 00:00 to 01:00 on the last Sunday of March.
    start = local_day_start(date(2026, 3, 29), ZoneInfo("Asia/Beirut"))
    assert start == datetime(2026, 3, 28, 22, tzinfo=UTC)
    assert start.astimezone(ZoneInfo("Asia/Beirut")).time() == time(1)


def test_local_date_is_that_of_the_clinic():
    instant = datetime(2026, 6, 1, 23, tzinfo=UTC)
    assert local_date(instant, BERLIN) == date(2026, 6, 2)
    assert local_date(instant, ZoneInfo("America/New_York")) == date(2026, 6, 1)


def test_naive_instant_has_no_local_date():
    with pytest.raises(ValueError, match="offset"):
        local_date(datetime(2026, 6, 1), BERLIN)  # noqa: DTZ001 - what is refused


@pytest.mark.parametrize("name", ["Mars/Base", "", "../etc/passwd", "/etc/passwd", "Europe"])
def test_unknown_zone_is_refused(name):
    with pytest.raises(UnknownZone):
        zone_named(name)
