"""Reading only the days around the advised one gives the very answer of reading them all."""

import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core.spans import Span
from courses.slots import (
    BadRequest,
    ClinicCandidates,
    FittedTo,
    Grid,
    HandpieceCandidate,
    InkNeed,
    LaserCandidate,
    OperatorCandidate,
    OperatorCredential,
    Read,
    RoomCandidate,
    SearchPolicy,
    SlotRequest,
    Timeline,
    narrowing,
    search_near_first,
    search_slots,
    steps_near_first,
)

START = datetime(2026, 6, 1, tzinfo=UTC)
LONG_AGO = datetime(2020, 1, 1, tzinfo=UTC)
ZONES = ("Europe/Berlin", "Pacific/Kiritimati", "Pacific/Pago_Pago", "America/New_York")
LASERS = ((1064, 532), (755,), (1064,))
ALL_LINES = frozenset({532, 755, 1064})
DAY_BYTES = 36


def clinic_of(number: int, grid: Grid, *, booked: float, chance: random.Random):
    """Open every day for six hours of UTC, with bookings of 20 to 90 minutes at random."""
    hours = [
        Span(START + timedelta(days=day, hours=9), START + timedelta(days=day, hours=15))
        for day in range(grid.cells // 288)
    ]

    def row(share: float) -> bytes:
        busy, free = [], []
        for open_ in hours:
            at = open_.start
            if chance.random() < 0.85:
                free.append(open_)
            while at < open_.end:
                length = timedelta(minutes=5 * chance.randint(4, 18))
                if chance.random() < share:
                    busy.append(Span(at, at + length))
                at += length
        return grid.row(free, busy=busy)

    return ClinicCandidates(
        id=number,
        zone=ZoneInfo(ZONES[number % len(ZONES)]),
        open=grid.row(hours),
        rooms=tuple(
            RoomCandidate(n, row(booked), True, frozenset({1064, 532, 755})) for n in (1, 2)
        ),
        operators=tuple(
            OperatorCandidate(n, row(booked), (OperatorCredential(date(2020, 1, 1)),))
            for n in (1, 2)
        ),
        lasers=tuple(
            LaserCandidate(n, row(booked), n, frozenset(lines)) for n, lines in enumerate(LASERS)
        ),
        handpieces=tuple(
            HandpieceCandidate(n, row(0), frozenset(lines), (FittedTo(n, LONG_AGO),))
            for n, lines in enumerate(LASERS)
        ),
        preference=chance.choice([0.5, 1.0]),
    )


def part_of(clinic: ClinicCandidates, *, whole: Grid, part: Grid) -> ClinicCandidates:
    first = (part.start - whole.start).days * DAY_BYTES
    cut = slice(first, first + part.row_bytes)
    kinds = ("rooms", "operators", "lasers", "handpieces")
    return replace(
        clinic,
        open=clinic.open[cut],
        **{
            kind: tuple(replace(one, free=one.free[cut]) for one in getattr(clinic, kind))
            for kind in kinds
        },
    )


class Reader:
    """Reads parts of a diary, so many clinics at once, and remembers which."""

    def __init__(self, grid, clinics, patient_busy=(), at_once=99):
        self.grid, self.clinics, self.patient_busy = grid, clinics, patient_busy
        self.at_once = at_once
        self.grids = []

    def __call__(self, grid):
        self.grids.append(grid)
        for at in range(0, len(self.clinics), self.at_once):
            lot = self.clinics[at : at + self.at_once]
            yield Read([part_of(one, whole=self.grid, part=grid) for one in lot], self.patient_busy)


def diary(*, days, clinics, booked, seed):
    chance = random.Random(seed)
    grid = Grid(START, days * 288)
    made = [clinic_of(n, grid, booked=booked, chance=chance) for n in range(clinics)]
    busy = tuple(
        Span(START + timedelta(days=day, hours=9), START + timedelta(days=day, hours=12))
        for day in range(0, days, 3)
    )
    return Reader(grid, made, busy)


REQUEST = SlotRequest(
    timeline=Timeline.whole_visit(45),
    needs=(InkNeed("black", (1064,), 0.7, required=False), InkNeed("red", (532,), 0.3, False)),
    earliest_at=START + timedelta(hours=7),
    advised_on=date(2026, 6, 20),
    limit=6,
)


@given(
    seed=st.integers(0, 10_000),
    booked=st.sampled_from([0.2, 0.6, 0.9]),
    clinics=st.integers(1, 3),
    advised=st.one_of(st.none(), st.integers(-5, 50)),
    earliest=st.integers(0, 30),
    latest=st.one_of(st.none(), st.integers(10, 44)),
    half_life=st.sampled_from([0.7, 2.0, 7.0]),
    per_day=st.integers(1, 3),
    limit=st.sampled_from([1, 4, 10]),
    familiar=st.booleans(),
    earliest_first=st.booleans(),
    at_once=st.integers(1, 3),
)
@settings(max_examples=150, deadline=None)
def test_the_answer_is_that_of_the_whole_grid(
    *,
    seed,
    booked,
    clinics,
    advised,
    earliest,
    latest,
    half_life,
    per_day,
    limit,
    familiar,
    earliest_first,
    at_once,
):
    reader = diary(days=40, clinics=clinics, booked=booked, seed=seed)
    request = replace(
        REQUEST,
        advised_on=None if advised is None else START.date() + timedelta(days=advised),
        earliest_at=START + timedelta(days=earliest, hours=3),
        latest_at=None if latest is None else START + timedelta(days=latest, hours=12),
        familiar_operator_ids=frozenset({2}) if familiar else frozenset(),
        limit=limit,
        earliest_first=earliest_first,
    )
    policy = SearchPolicy(closeness_half_life_days=half_life, slots_per_day=per_day)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(narrowing, "DAYS_AWAY", (2, 5, 9))
        near = search_near_first(request, grid=reader.grid, read=reader, policy=policy)
        reader.at_once = at_once
        steps = list(steps_near_first(request, grid=reader.grid, read=reader, policy=policy))
    whole = search_slots(
        replace(request, patient_busy=reader.patient_busy),
        grid=reader.grid,
        clinics=reader.clinics,
        policy=policy,
    )
    assert near == steps[-1].answer == whole
    told = [slot for step in steps for slot in step.slots]
    assert all(slot in told for slot in whole.slots)
    assert len({(slot.start, slot.clinic_id) for slot in told}) == len(told)


def test_a_usual_search_reads_the_days_around_the_advised_one_and_no_more():
    reader = diary(days=56, clinics=2, booked=0.4, seed=1)
    search_near_first(
        replace(REQUEST, advised_on=date(2026, 6, 28)),
        grid=reader.grid,
        read=reader,
        policy=SearchPolicy(),
    )
    assert [grid.cells // 288 for grid in reader.grids] == [21]


def test_when_nothing_is_near_everything_is_read():
    reader = diary(days=56, clinics=1, booked=1.0, seed=1)
    answer = search_near_first(REQUEST, grid=reader.grid, read=reader, policy=SearchPolicy())
    assert answer.bounds
    assert reader.grids[-1] == reader.grid


def test_a_horizon_that_is_too_long_is_refused_before_anything_is_read():
    reader = diary(days=1, clinics=1, booked=0, seed=1)
    with pytest.raises(BadRequest) as refusal:
        search_near_first(REQUEST, grid=Grid(START, 500 * 288), read=reader, policy=SearchPolicy())
    assert refusal.value.field == "horizon"
    assert reader.grids == []
