"""Local dates and instants: both clock changes, midnight that does not exist, every zone."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, available_timezones

import pytest

from courses.healing import earliest_instant, local_date
from courses.science.errors import InvalidInput


@pytest.mark.parametrize(
    ("zone", "day", "expected"),
    [
        ("Europe/Berlin", date(2026, 1, 15), "2026-01-14T23:00"),
        ("Europe/Berlin", date(2026, 7, 15), "2026-07-14T22:00"),
        ("Europe/Berlin", date(2026, 3, 29), "2026-03-28T23:00"),
        ("Europe/Berlin", date(2026, 3, 30), "2026-03-29T22:00"),
        ("Europe/Berlin", date(2026, 10, 25), "2026-10-24T22:00"),
        ("Europe/Berlin", date(2026, 10, 26), "2026-10-25T23:00"),
        ("America/New_York", date(2026, 3, 8), "2026-03-08T05:00"),
        ("America/New_York", date(2026, 3, 9), "2026-03-09T04:00"),
        ("Asia/Kolkata", date(2026, 1, 1), "2025-12-31T18:30"),
        ("Pacific/Auckland", date(2026, 1, 1), "2025-12-31T11:00"),
        # Clocks skip midnight: the day begins at 01:00 local time.
        ("Africa/Cairo", date(2026, 4, 24), "2026-04-23T22:00"),
        # The whole day was left out when the zone moved over the date line.
        ("Pacific/Apia", date(2011, 12, 30), "2011-12-30T10:00"),
        # Midnight happens twice: the first one counts.
        ("America/Havana", date(2026, 11, 1), "2026-11-01T04:00"),
    ],
)
def test_a_local_day_starts_at_this_instant(zone, day, expected):
    assert earliest_instant(day, zone=zone).isoformat() == f"{expected}:00+00:00"


def test_six_weeks_over_a_clock_change_are_42_local_days():
    treated = local_date(datetime(2026, 2, 20, 23, 30, tzinfo=UTC), zone="Europe/Berlin")

    assert treated == date(2026, 2, 21)
    closes = earliest_instant(treated + timedelta(days=42), zone="Europe/Berlin")
    assert closes == datetime(2026, 4, 3, 22, 0, tzinfo=UTC)
    assert local_date(closes, zone="Europe/Berlin") == date(2026, 4, 4)
    assert local_date(closes - timedelta(microseconds=1), zone="Europe/Berlin") == date(2026, 4, 3)


@pytest.mark.parametrize("zone", sorted(z for z in available_timezones() if "/" in z)[::7])
def test_the_instant_is_the_first_of_its_day(zone):
    info = ZoneInfo(zone)
    for offset in range(366):
        day = date(2026, 1, 1) + timedelta(days=offset)
        start = earliest_instant(day, zone=zone)
        assert start.astimezone(info).date() >= day
        assert (start - timedelta(seconds=1)).astimezone(info).date() < day


def test_a_naive_instant_and_an_unknown_zone_are_refused():
    with pytest.raises(InvalidInput) as naive:
        local_date(datetime(2026, 1, 1), zone="Europe/Berlin")  # noqa: DTZ001
    with pytest.raises(InvalidInput) as unknown:
        earliest_instant(date(2026, 1, 1), zone="Europe/Nowhere")
    with pytest.raises(InvalidInput):
        earliest_instant(date(2026, 1, 1), zone="../etc/passwd")

    assert naive.value.rule == "instant-naive"
    assert unknown.value.rule == "zone-unknown"
