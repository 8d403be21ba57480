"""Pure slot search over invented diaries; beside it an interval-set search over the same ones.

Run: python -m bench.slots [--rounds 30] [--booked 0.6]
No database. `floor` only unpacks the rows. The peer (`portion`) starts from ready-made intervals
and looks for starts only: no score, no reasons. Both must find the same starts.
"""

import argparse
import random
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from datetime import time as wall
from functools import reduce
from zoneinfo import ZoneInfo

import portion

from clinics.hours import ClinicCalendar, WeeklyRule, opening_spans
from core.spans import Span
from courses.slots import (
    ClinicCandidates,
    FittedTo,
    Grid,
    HandpieceCandidate,
    InkNeed,
    LaserCandidate,
    OperatorCandidate,
    OperatorCredential,
    RoomCandidate,
    SlotRequest,
    Timeline,
    feasible_starts,
    multi_pass,
    role_spans,
    search_slots,
)
from courses.slots.options import device_options
from courses.vocabulary import TreatmentRole

START = datetime(2026, 6, 1, tzinfo=UTC)
LONG_AGO = datetime(2020, 1, 1, tzinfo=UTC)
ZONES = ("Europe/Berlin", "Europe/Lisbon")
LASERS = ({1064, 532}, {1064, 532, 755}, {755}, {694, 1064}, {1064, 532})
ROOMS, OPERATORS = 4, 6
COLUMNS = "{:<44}{:>10}{:>10}{:>10}{:>12}"


@dataclass(frozen=True)
class Diary:
    """One clinic as candidates, and the same free time as intervals for the peer."""

    clinic: ClinicCandidates
    open: portion.Interval
    free: dict[tuple[str, int], portion.Interval]


def make_diary(grid: Grid, number: int, *, booked: float, chance: random.Random) -> Diary:
    """A clinic open Monday to Saturday, 9 to 19, each resource booked so much of the time."""
    zone = ZoneInfo(ZONES[number % len(ZONES)])

    rules = tuple(WeeklyRule(day, wall(9), wall(19)) for day in range(1, 7))
    opened = opening_spans(
        ClinicCalendar(zone, rules), from_date=grid.start.date(), to_date=grid.end.date()
    )
    rows: dict[tuple[str, int], bytes] = {}
    free: dict[tuple[str, int], portion.Interval] = {}
    kinds = {"room": ROOMS, "operator": OPERATORS, "laser": len(LASERS), "handpiece": len(LASERS)}
    for kind, count in kinds.items():
        for one in range(count):
            busy = [span for day in opened for span in bookings(day, booked, chance)]
            rows[kind, one] = grid.row(opened, busy=busy)
            free[kind, one] = intervals(opened) - intervals(busy)
    clinic = ClinicCandidates(
        id=number,
        zone=zone,
        open=grid.row(opened),
        rooms=tuple(
            RoomCandidate(n, rows["room", n], True, frozenset({532, 694, 755, 1064}))
            for n in range(ROOMS)
        ),
        operators=tuple(
            OperatorCandidate(n, rows["operator", n], (OperatorCredential(date(2020, 1, 1)),))
            for n in range(OPERATORS)
        ),
        lasers=tuple(
            LaserCandidate(n, rows["laser", n], model_id=n, wavelengths_nm=frozenset(lines))
            for n, lines in enumerate(LASERS)
        ),
        handpieces=tuple(
            HandpieceCandidate(n, rows["handpiece", n], frozenset(lines), (FittedTo(n, LONG_AGO),))
            for n, lines in enumerate(LASERS)
        ),
    )
    return Diary(clinic, intervals(opened), free)


def bookings(day: Span, booked: float, chance: random.Random) -> list[Span]:
    """Appointments of 30 to 90 minutes that fill about the share `booked` of a day."""
    found, at = [], day.start
    while at < day.end:
        length = timedelta(minutes=5 * chance.randint(6, 18))
        if chance.random() < booked:
            found.append(Span(at, min(at + length, day.end)))
        at += length
    return found


def intervals(spans: list[Span]) -> portion.Interval:
    return portion.Interval(*(portion.closedopen(span.start, span.end) for span in spans))


def peer_starts(diary: Diary, request: SlotRequest, grid: Grid) -> portion.Interval:
    """Feasible starts by erosion, union and intersection of intervals.

    As good as the peer can be made: each resource is eroded once, rooms and operators (all fit
    here) are united once, and only then are device options looked at one by one.
    """
    spans = role_spans(request.timeline, start=grid.start)
    parts = {
        role: [(span.start - grid.start, span.end - grid.start) for span in spans[role]]
        for role in TreatmentRole
    }
    length = timedelta(minutes=request.timeline.minutes)

    def starts(kind: str, role: TreatmentRole) -> dict[int, portion.Interval]:
        return {
            number: eroded(free, parts[role])
            for (name, number), free in diary.free.items()
            if name == kind
        }

    def union(found: dict[int, portion.Interval]) -> portion.Interval:
        return reduce(lambda left, right: left | right, found.values())

    base = eroded(diary.open, [(timedelta(0), length)])
    base &= portion.closedopen(request.earliest_at, portion.inf)
    base &= union(starts("room", TreatmentRole.ROOM))
    base &= union(starts("operator", TreatmentRole.OPERATOR))
    lasers = starts("laser", TreatmentRole.LASER)
    tips = starts("handpiece", TreatmentRole.HANDPIECE)
    options = device_options(
        request.needs, lasers=diary.clinic.lasers, handpieces=diary.clinic.handpieces, grid=grid
    )
    found = portion.empty()
    for laser, handpieces in {(option.laser, option.handpieces) for option in options}:
        able = lasers[laser]
        for tip in handpieces:
            able = able & tips[tip]
        found |= base & able
    return found


def eroded(free: portion.Interval, parts: list[tuple[timedelta, timedelta]]) -> portion.Interval:
    """Instants t such that [t + begin, t + end) lies in `free` for every part."""
    found = None
    for begin, end in parts:
        atoms = [
            portion.closed(atom.lower - begin, atom.upper - end)
            for atom in free
            if atom.upper - atom.lower >= end - begin
        ]
        one = portion.Interval(*atoms)
        found = one if found is None else found & one
    return found if found is not None else portion.empty()


Times = tuple[list[float], float]


def timed(work: Callable[[], object], rounds: int) -> Times:
    """Sorted wall-clock times and the median processor time, in ms."""
    work()
    wall_ms, cpu_ms = [], []
    for _ in range(rounds):
        began, began_cpu = time.perf_counter(), time.process_time()
        work()
        cpu_ms.append((time.process_time() - began_cpu) * 1000)
        wall_ms.append((time.perf_counter() - began) * 1000)
    return sorted(wall_ms), statistics.median(cpu_ms)


def show(name: str, took: Times, *, beside: float | None = None) -> float:
    """Print one row; the ratio compares processor time, which other work does not disturb."""
    wall_ms, cpu_ms = took
    p50 = statistics.median(wall_ms)
    p95 = wall_ms[min(len(wall_ms) - 1, int(len(wall_ms) * 0.95))]
    ratio = "" if beside is None else f"{cpu_ms / beside:.2f}x"
    print(COLUMNS.format(name, f"{p50:.2f}", f"{p95:.2f}", f"{cpu_ms:.2f}", ratio))
    return cpu_ms


def floor(grid: Grid, diaries: list[Diary]) -> None:
    for diary in diaries:
        clinic = diary.clinic
        members = (clinic.rooms, clinic.operators, clinic.lasers, clinic.handpieces)
        grid.unpack([clinic.open, *(one.free for kind in members for one in kind)])


def measure(title: str, *, clinics: int, days: int, timeline: Timeline, asked) -> None:
    chance = random.Random(20260601)
    grid = Grid(START, days * 288)
    diaries = [make_diary(grid, n, booked=asked.booked, chance=chance) for n in range(clinics)]
    offered = [diary.clinic for diary in diaries]
    request = SlotRequest(
        timeline=timeline,
        needs=(InkNeed("black", (1064, 755), 0.7), InkNeed("red", (532,), 0.3, required=False)),
        earliest_at=START + timedelta(days=1),
        advised_on=(START + timedelta(days=days // 2)).date(),
        familiar_operator_ids=frozenset({2}),
    )
    never = SlotRequest(
        timeline=timeline,
        needs=request.needs,
        earliest_at=request.earliest_at,
        operator_ids=frozenset({-1}),
    )
    found = search_slots(request, grid=grid, clinics=offered)
    starts = [feasible_starts(request, grid=grid, clinic=clinic) for clinic in offered]
    print(f"\n{title}: {len(found.slots)} slots of {sum(map(len, starts))} possible starts")
    print(COLUMNS.format("work", "p50 ms", "p95 ms", "cpu ms", "to search"))
    cpu = show(
        "search: starts, scores, ranked slots",
        timed(lambda: search_slots(request, grid=grid, clinics=offered), asked.rounds),
    )
    show(
        "starts only",
        timed(
            lambda: [feasible_starts(request, grid=grid, clinic=one) for one in offered],
            asked.rounds,
        ),
        beside=cpu,
    )
    show(
        "nothing fits: which condition bound",
        timed(lambda: search_slots(never, grid=grid, clinics=offered), max(3, asked.rounds // 5)),
        beside=cpu,
    )
    show("floor: unpack the rows", timed(lambda: floor(grid, diaries), asked.rounds), beside=cpu)
    show(
        "peer: interval sets (portion), starts only",
        timed(lambda: [peer_starts(one, request, grid) for one in diaries], asked.peer_rounds),
        beside=cpu,
    )
    for diary, mine in zip(diaries, starts, strict=True):
        allowed = peer_starts(diary, request, grid)
        marks = (grid.instant(cell) for cell in range(grid.cells))
        assert mine == [mark for mark in marks if mark in allowed]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=30)
    parser.add_argument("--peer-rounds", type=int, default=3)
    parser.add_argument("--booked", type=float, default=0.6)
    asked = parser.parse_args()
    whole, passes = Timeline.whole_visit(45), multi_pass([10, 10], finish_minutes=10)
    measure("1 clinic, 8 weeks, whole visit", clinics=1, days=56, timeline=whole, asked=asked)
    measure("1 clinic, 8 weeks, two passes", clinics=1, days=56, timeline=passes, asked=asked)
    measure("50 clinics, 1 week, whole visit", clinics=50, days=7, timeline=whole, asked=asked)
    measure("50 clinics, 1 week, two passes", clinics=50, days=7, timeline=passes, asked=asked)
    measure("50 clinics, 8 weeks, whole visit", clinics=50, days=56, timeline=whole, asked=asked)


if __name__ == "__main__":
    main()
