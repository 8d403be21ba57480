"""Arbitrary small clinics and requests, across days on which clocks change."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from core.spans import Span, merge
from courses.slots import (
    ClinicCandidates,
    FittedTo,
    Grid,
    HandpieceCandidate,
    InkNeed,
    LaserCandidate,
    LockedOut,
    OperatorCandidate,
    OperatorCredential,
    RoomCandidate,
    SearchPolicy,
    Segment,
    SlotRequest,
    Timeline,
    TimeWish,
)
from courses.vocabulary import TreatmentRole
from tests.support.slot_cases import Busy, Case

LINES = (532, 755, 1064)
# A zone and the midnight (UTC) before a day on which its clocks change, or an ordinary day.
PLACES = (
    ("UTC", datetime(2026, 6, 1, tzinfo=UTC)),
    ("Europe/Berlin", datetime(2026, 3, 28, 23, tzinfo=UTC)),
    ("Europe/Berlin", datetime(2026, 10, 24, 22, tzinfo=UTC)),
    ("America/New_York", datetime(2026, 11, 1, 4, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2026, 10, 3, 13, tzinfo=UTC)),
    ("Asia/Kathmandu", datetime(2026, 6, 1, tzinfo=UTC)),
)


def mostly(usual, rare):
    """The usual strategy in most draws, so that many cases have a slot."""
    return st.integers(0, 6).flatmap(lambda n: rare if n == 5 else usual)


lines = st.sets(st.sampled_from(LINES), min_size=1).map(frozenset)
most_lines = mostly(st.just(frozenset(LINES)), lines)
ALL_ROLES = frozenset(TreatmentRole)


def spans_in(grid, grain, *, max_size=3, longest=24 * 60):
    """Lists of spans that start around the grid, on multiples of `grain` minutes."""
    first = st.integers(-60 // grain, grid.cells * 5 // grain)
    length = st.integers(1, longest // grain)
    return st.lists(st.tuples(first, length), max_size=max_size).map(
        lambda pairs: [
            Span(
                grid.start + timedelta(minutes=begin * grain),
                grid.start + timedelta(minutes=(begin + size) * grain),
            )
            for begin, size in pairs
        ]
    )


@st.composite
def cases(draw, *, grain=5, max_days=2):
    """A clinic with at most two of everything; free time on multiples of `grain` minutes."""
    name, start = draw(st.sampled_from(PLACES))
    grid = Grid(start, 288 * draw(st.integers(1, max_days)))
    local_days = [start.astimezone(ZoneInfo(name)).date() + timedelta(days=n) for n in range(-1, 4)]
    time_of = {}

    def row(kind, number):
        everything = [Span(grid.start, grid.end)]
        free = draw(mostly(st.just(everything), spans_in(grid, grain).map(merge)))
        time_of[kind, number] = Busy(free, draw(spans_in(grid, grain, max_size=2, longest=300)))
        return time_of[kind, number].row(grid)

    numbers = st.integers(1, 2).map(lambda count: range(1, count + 1))
    lasers = draw(st.sampled_from([range(1, 2), range(1, 3)]))
    edge = st.sampled_from(local_days)
    opened = Busy(draw(mostly(st.just([Span(grid.start, grid.end)]), spans_in(grid, grain))))
    opened.free = merge(opened.free)
    clinic = ClinicCandidates(
        id=1,
        zone=ZoneInfo(name),
        open=opened.row(grid),
        rooms=tuple(
            RoomCandidate(
                n, row("room", n), draw(mostly(st.just(True), st.just(False))), draw(most_lines)
            )
            for n in draw(numbers)
        ),
        operators=tuple(
            OperatorCandidate(n, row("operator", n), tuple(draw(credentials(edge))))
            for n in draw(numbers)
        ),
        lasers=tuple(
            LaserCandidate(
                n,
                row("laser", n),
                model_id=n,
                wavelengths_nm=draw(most_lines),
                room_id=draw(mostly(st.none(), st.sampled_from([1, 2]))),
                locked_out=tuple(draw(locks(grid, grain))),
            )
            for n in lasers
        ),
        handpieces=tuple(
            HandpieceCandidate(
                n, row("handpiece", n), draw(lines), tuple(draw(fittings(grid, grain, lasers)))
            )
            for n in range(1, draw(st.integers(2, 3)) + 1)
        ),
        preference=draw(st.sampled_from([0.0, 0.5, 1.0])),
    )
    return Case(grid, clinic, time_of, opened)


def credentials(edge):
    dated = st.builds(
        lambda first, last, nm, models: OperatorCredential(
            min(first, last), max(first, last) + timedelta(days=1), nm, models
        ),
        edge,
        edge,
        st.one_of(st.just(frozenset()), lines),
        st.sampled_from([frozenset(), frozenset({1}), frozenset({1, 2})]),
    )
    always = st.just(OperatorCredential(date(2020, 1, 1)))
    return mostly(always.map(lambda one: [one]), st.lists(dated, max_size=3))


def locks(grid, grain):
    closed = spans_in(grid, grain, max_size=1).map(
        lambda found: [LockedOut(span.start, span.end) for span in found]
    )
    open_ended = spans_in(grid, grain, max_size=1).map(
        lambda found: [LockedOut(span.start) for span in found]
    )
    return mostly(st.just([]), st.one_of(closed, open_ended))


def fittings(grid, grain, lasers):
    always = mostly(st.just(1), st.sampled_from(lasers)).map(
        lambda laser: [FittedTo(laser, datetime(2020, 1, 1, tzinfo=UTC))]
    )
    dated = st.tuples(spans_in(grid, grain, max_size=1), st.sampled_from(lasers)).map(
        lambda pair: [FittedTo(pair[1], span.start, span.end) for span in pair[0]]
    )
    return mostly(always, dated)


@st.composite
def timelines(draw, *, grain=5):
    """Up to four segments; the first one needs everything, so that no role is left out."""
    minutes = st.integers(1, 60 // grain).map(lambda count: count * grain)
    first = Segment(draw(minutes), ALL_ROLES)
    roles = st.sets(st.sampled_from(sorted(TreatmentRole))).map(frozenset)
    rest = draw(st.lists(st.builds(Segment, minutes, roles), max_size=3))
    order = draw(st.permutations([first, *rest]))
    return Timeline(tuple(order))


# Wishes keep away from the hours in which clocks change, where a wall time may come twice.
wishes = st.builds(
    lambda days, since, until: TimeWish(frozenset(days), time(since), time(until % 24)),
    st.sets(st.integers(1, 7), min_size=3),
    st.integers(4, 14),
    st.integers(15, 24),
)


@st.composite
def requests(draw, case, *, grain=5):
    """A request that the case may or may not meet."""
    start = case.grid.start
    local = start.astimezone(case.clinic.zone).date()
    days = st.integers(-1, 2).map(lambda n: local + timedelta(days=n))
    needs = draw(
        st.lists(
            st.tuples(st.permutations(LINES), st.integers(1, 2), st.booleans(), st.integers(0, 4)),
            min_size=1,
            max_size=2,
        )
    )
    return SlotRequest(
        timeline=draw(timelines(grain=grain)),
        needs=tuple(
            InkNeed(str(n), tuple(order[:size]), share / 4, required)
            for n, (order, size, required, share) in enumerate(needs)
        ),
        earliest_at=start + timedelta(minutes=draw(st.integers(-60, 300))),
        window_closes_on=draw(st.one_of(st.none(), days)),
        advised_on=draw(st.one_of(st.none(), days)),
        patient_busy=tuple(draw(spans_in(case.grid, grain, max_size=2, longest=300))),
        wishes=tuple(draw(st.one_of(st.just([]), st.lists(wishes, max_size=2)))),
        operator_ids=draw(mostly(st.none(), st.just(frozenset({1})))),
        familiar_operator_ids=draw(st.sampled_from([frozenset(), frozenset({2})])),
        limit=draw(st.sampled_from([1, 5, 10])),
        latest_at=draw(
            mostly(st.none(), st.integers(0, 2880).map(lambda n: start + timedelta(minutes=n)))
        ),
    )


policies = st.builds(
    SearchPolicy,
    start_step_minutes=st.sampled_from([5, 15, 30, 60]),
    useful_gap_minutes=st.sampled_from([5, 30, 60]),
    slots_per_day=st.integers(1, 3),
    min_apart_minutes=st.sampled_from([0, 30, 120]),
    changeover_minutes=st.sampled_from([0, 0, 5, 12, 30]),
)
