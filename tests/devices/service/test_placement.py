"""The day that displaces the fewest, against every start tried out."""

from datetime import UTC, date, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from core.spans import Span
from devices.forecast import Taken, choose_days

FIRST = date(2026, 3, 2)
DAY = timedelta(days=1)


def at(day, hour):
    return datetime(2026, 3, 2, tzinfo=UTC) + day * DAY + timedelta(hours=hour)


def taken(day, start, hours, source, **fields):
    return Taken(source, Span(at(day, start), at(day, start + hours)), **fields)


def opening(days):
    return {FIRST + n * DAY: [Span(at(n, 9), at(n, 17))] for n in range(days)}


def choose(days, booked, *, hours=4, before=None, since=FIRST):
    return choose_days(
        opening(days), taken=booked, length=timedelta(hours=hours), since=since, before=before
    )


def test_the_free_day_first_then_the_one_with_the_fewest():
    booked = [taken(0, 9, 8, "a"), taken(0, 9, 8, "b"), taken(2, 10, 7, "c")]
    first, second, third = choose(3, booked)
    assert (first.day, first.displaced) == (FIRST + DAY, ())
    assert (second.day, second.displaced) == (FIRST + 2 * DAY, ("c",))
    assert (third.day, third.displaced) == (FIRST, ("a", "b"))


def test_days_before_the_due_date_come_first_even_if_they_displace_more():
    booked = [taken(0, 9, 8, "a")]
    days = choose(2, booked, before=FIRST + DAY)
    assert [(one.day, one.in_time) for one in days] == [(FIRST, True), (FIRST + DAY, False)]


def test_placed_between_bookings_where_it_fits():
    booked = [taken(0, 9, 2, "a"), taken(0, 15, 2, "b")]
    (only,) = choose(1, booked)
    assert (only.span, only.displaced) == (Span(at(0, 11), at(0, 15)), ())


def test_nothing_over_what_cannot_be_moved_and_no_room_no_day():
    booked = [taken(0, 12, 2, "absence", fixed=True)]
    assert choose(1, booked) == []
    assert choose(1, [], hours=9) == []


starts = st.lists(
    st.tuples(st.integers(0, 1), st.integers(9, 16), st.integers(1, 4), st.booleans()), max_size=8
)


@given(starts, st.integers(1, 8))
def test_never_more_displaced_than_by_any_start_on_the_quarter_hour(rows, hours):
    booked = [
        taken(day, start, length, f"s{n}", fixed=fixed)
        for n, (day, start, length, fixed) in enumerate(rows)
    ]
    chosen = {one.day: one for one in choose(2, booked, hours=hours)}
    for number in range(2):
        tried = []
        for quarter in range((8 - hours) * 4 + 1):
            start = at(number, 9 + quarter / 4)
            span = Span(start, start + timedelta(hours=hours))
            hit = [one for one in booked if one.span.overlaps(span)]
            if not any(one.fixed for one in hit):
                tried.append(len({one.source for one in hit}))
        found = chosen.get(FIRST + number * DAY)
        assert (found is None) == (not tried)
        if found is not None:
            assert len(found.displaced) == min(tried)
