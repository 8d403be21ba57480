"""Periods and clocks of laser safety against the rules that they are patterned on.

Rows LG8 to LG10 and LG12. Texas: 25 TAC 289.301(j), 16 TAC 118.71 (hair-removal law, a pattern).
Britain: good-practice requirements of a medical laser association (2010, updated 2012). Plume:
NIOSH 96-128 (HC11). Independent oracle: the unit constants of scipy.
"""

from datetime import UTC, date, datetime, timedelta

import pytest
from scipy import constants

from devices.safety import duties


def test_lg_8_inventory_every_twelve_months():
    last = date(2031, 3, 10)
    overdue = [
        duties.is_overdue(last, months=duties.INVENTORY_MONTHS, on=last + timedelta(days=days))
        for days in (364, 365, 366)
    ]
    assert overdue == [False, False, True]


def test_lg_9_the_clocks_of_a_lost_laser():
    known = datetime(2031, 5, 1, 9, tzinfo=UTC)
    reported = known + timedelta(hours=20)
    clocks = duties.loss_clocks(known, reported_at=reported)
    assert clocks.report_by == known + timedelta(hours=72)
    assert clocks.written_by == reported + timedelta(days=30)
    assert duties.loss_clocks(known).written_by == known + timedelta(hours=72, days=30)


def test_lg_10_reviews_and_visits():
    today = date(2031, 6, 15)
    rules = {date(2030, 6, 15): False, date(2030, 5, 15): True}
    for last, overdue in rules.items():
        assert duties.is_overdue(last, months=duties.RULES_MONTHS, on=today) is overdue
    visits = {date(2027, 6, 16): False, date(2027, 5, 15): True}
    for last, overdue in visits.items():
        assert duties.is_overdue(last, months=duties.ADVISER_MONTHS, on=today) is overdue


def test_a_month_without_that_day_ends_on_its_last():
    assert duties.due_on(date(2031, 2, 28), months=12) == date(2032, 2, 28)
    assert duties.due_on(date(2032, 2, 29), months=12) == date(2033, 2, 28)
    assert duties.due_on(date(2031, 10, 31), months=4) == date(2032, 2, 29)
    assert duties.due_on(date(2031, 3, 10), months=12) == date(2032, 3, 9)


def test_lg_12_capture_velocity_of_the_extraction():
    low, high = duties.capture_m_s()
    assert (low, high) == pytest.approx((0.508, 0.762), abs=1e-4)
    assert low == pytest.approx(100 * constants.foot / constants.minute)
