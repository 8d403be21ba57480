"""Arithmetic with spans, against sets of minutes as the oracle."""

from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.spans import Span, intersect, merge, subtract

ZERO = datetime(2027, 3, 1, tzinfo=UTC)


def at(minute: int) -> datetime:
    return ZERO + timedelta(minutes=minute)


def span(start: int, end: int) -> Span:
    return Span(at(start), at(end))


def minutes(spans) -> set[int]:
    return {
        minute
        for each in spans
        for minute in range(
            int((each.start - ZERO).total_seconds() // 60),
            int((each.end - ZERO).total_seconds() // 60),
        )
    }


spans = st.lists(
    st.tuples(st.integers(0, 60), st.integers(1, 20)).map(lambda t: span(t[0], t[0] + t[1])),
    max_size=8,
)


def assert_normal(result: list[Span]) -> None:
    """Sorted, and no two overlap or touch."""
    assert all(a.end < b.start for a, b in pairwise(result))


@given(spans)
def test_merge_keeps_the_time_and_leaves_gaps_between(given_spans):
    merged = merge(given_spans)
    assert minutes(merged) == minutes(given_spans)
    assert_normal(merged)


@given(spans, spans)
def test_subtract_leaves_what_lies_outside(given_spans, removed):
    left = subtract(given_spans, removed)
    assert minutes(left) == minutes(given_spans) - minutes(removed)
    assert all(a.end <= b.start for a, b in pairwise(left))


@given(spans, spans)
def test_intersect_keeps_what_lies_in_both(first, second):
    assert minutes(intersect(first, second)) == minutes(first) & minutes(second)


@given(spans, spans)
def test_a_span_overlaps_exactly_when_it_shares_a_minute(first, second):
    for a in first:
        for b in second:
            shared = minutes([a]) & minutes([b])
            assert a.overlaps(b) == bool(shared)
            assert minutes([part] if (part := a.intersect(b)) else []) == shared
            assert a.contains(b) == (minutes([b]) <= minutes([a]))


def test_is_half_open():
    assert span(0, 10).contains(at(0))
    assert not span(0, 10).contains(at(10))
    assert not span(0, 10).overlaps(span(10, 20))


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (at(0).replace(tzinfo=None), at(1).replace(tzinfo=None)),
        (at(1), at(1)),
        (at(2), at(1)),
        (at(0), datetime(2027, 3, 1, 12, tzinfo=timezone(timedelta(hours=14)))),
    ],
)
def test_refuses_naive_empty_and_backward(start, end):
    with pytest.raises(ValueError, match="span"):
        Span(start, end)


def test_compares_instants_across_the_hour_that_comes_twice():
    """Berlin, 2026-10-25: 02:30 with fold 1 is an hour after 02:30 with fold 0 (PEP 495)."""
    berlin = ZoneInfo("Europe/Berlin")
    first = datetime(2026, 10, 25, 2, 30, tzinfo=berlin)
    second = first.replace(fold=1)
    assert Span(first, second).duration == timedelta(hours=1)
