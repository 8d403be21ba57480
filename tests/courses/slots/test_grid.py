from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.spans import Span
from courses.slots import Grid

START = datetime(2026, 6, 1, tzinfo=UTC)
GRID = Grid(START, 288)


def span(begin, end):
    return Span(START + timedelta(minutes=begin), START + timedelta(minutes=end))


minutes = st.integers(-100, 24 * 60 + 100)
spans = st.lists(st.tuples(minutes, minutes).filter(lambda pair: pair[0] < pair[1]), max_size=6)


@given(free=spans, busy=spans)
def test_cell_is_free_only_if_all_of_it_is(free, busy):
    row = GRID.row([span(*pair) for pair in free], busy=[span(*pair) for pair in busy])
    (cells,) = GRID.unpack([row])
    for cell, is_free in enumerate(cells):
        begin, end = cell * 5, cell * 5 + 5
        inside = any(first <= begin and end <= last for first, last in free)
        hit = any(first < end and begin < last for first, last in busy)
        assert is_free == (inside and not hit)


def test_rows_number_their_bits_as_postgresql_does():
    """PostgreSQL documentation, binary string functions: bit 0 is the least significant bit of
    the first byte."""
    assert GRID.row([span(0, 5)])[0] == 1
    assert GRID.row([span(40, 45)])[1] == 1
    assert len(GRID.row([])) == 36


def test_days_can_be_joined_byte_by_byte():
    two_days = Grid(START, 2 * 288)
    first = GRID.row([span(60, 120)])
    second = GRID.row([span(0, 30)])
    joined = two_days.row([span(60, 120), span(24 * 60, 24 * 60 + 30)])
    assert first + second == joined


def test_grid_covering_a_span_rounds_outwards():
    grid = Grid.covering(span(3, 61))
    assert (grid.start, grid.end) == (START, START + timedelta(minutes=65))


@pytest.mark.parametrize(
    ("start", "cells"),
    [
        (datetime(2026, 6, 1), 288),  # noqa: DTZ001 - what is refused
        (datetime(2026, 6, 1, 0, 3, tzinfo=UTC), 288),
        (START, 0),
    ],
)
def test_grid_that_is_naive_unaligned_or_empty_is_refused(start, cells):
    with pytest.raises(ValueError, match="grid"):
        Grid(start, cells)


def test_row_of_another_length_is_refused():
    with pytest.raises(ValueError, match="36 bytes"):
        GRID.unpack([bytes(35)])


def test_a_grid_of_whole_days_holds_every_utc_day_that_is_touched():
    grid = Grid.whole_days(span(3, 61))
    assert (grid.start, grid.cells) == (START, 288)
    grid = Grid.whole_days(span(24 * 60 - 1, 2 * 24 * 60))
    assert (grid.start, grid.cells) == (START, 2 * 288)
    grid = Grid.whole_days(span(24 * 60, 2 * 24 * 60 + 1))
    assert (grid.start, grid.cells) == (START + timedelta(days=1), 2 * 288)
