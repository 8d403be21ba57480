"""Diaries of an invented chain, and what is left to re-plan when some of its clinics close.

Each clinic is open Monday to Saturday, 8 to 18 h, with 4 rooms, 5 operators and 4 lasers that do
not all have the same lines. Visits of several lengths and kinds fill it by chance. From Monday of
the second week on clinics are closed until as many appointments as asked for have lost their slot.
"""

import random
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from core.spans import Span
from courses.replan import Displaced, OldSlot, ReplanProblem
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
    TimeWish,
    multi_pass,
    role_spans,
)
from courses.vocabulary import TreatmentRole

START = datetime(2026, 6, 1, tzinfo=UTC)
CLOSES = START + timedelta(days=7, hours=8)
LONG_AGO = datetime(2020, 1, 1, tzinfo=UTC)
ZONE = ZoneInfo("Atlantic/Reykjavik")
OPENS, SHUTS, STEP = 8, 18, 15
LASERS = ({1064, 532}, {1064, 532}, {755, 1064}, {1064, 532, 694})
LINES = frozenset().union(*LASERS)
ROOMS, OPERATORS = 4, 5
BLACK = (InkNeed("black", (1064, 755)),)
BLACK_AND_RED = (InkNeed("black", (1064,), 0.7), InkNeed("red", (532,), 0.3))
GREEN = (InkNeed("green", (755, 694)),)
INKS = (BLACK, BLACK_AND_RED, GREEN)
OFTEN = (6, 3, 1)
TIMELINES = (
    Timeline.whole_visit(30),
    Timeline.whole_visit(45),
    Timeline.whole_visit(60),
    multi_pass([10, 10], finish_minutes=10),
    multi_pass([15, 10], prepare_minutes=5),
)
ROLE_OF = {
    "room": TreatmentRole.ROOM,
    "operator": TreatmentRole.OPERATOR,
    "laser": TreatmentRole.LASER,
    "handpiece": TreatmentRole.HANDPIECE,
}
Key = tuple[str, int]


@dataclass(frozen=True)
class Case:
    """`displaced` appointments of `hit` clinics of a chain, `occupied` (0..1) before."""

    displaced: int
    clinics: int
    hit: int
    weeks: int
    occupied: float
    seed: int = 1


@dataclass(frozen=True)
class Visit:
    clinic: int
    start: datetime
    timeline: Timeline
    needs: tuple[InkNeed, ...]
    keys: dict[str, int]

    @property
    def busy(self) -> dict[Key, list[Span]]:
        spans = role_spans(self.timeline, start=self.start)
        return {(kind, one): spans[ROLE_OF[kind]] for kind, one in self.keys.items()}


@dataclass
class Diary:
    """What each resource is busy with."""

    taken: dict[Key, list[Span]] = field(default_factory=dict)

    def is_free(self, key: Key, spans: list[Span]) -> bool:
        return not any(busy.overlaps(span) for busy in self.taken.get(key, ()) for span in spans)

    def add(self, visit: Visit) -> None:
        for key, spans in visit.busy.items():
            self.taken.setdefault(key, []).extend(spans)


def problem(case: Case) -> ReplanProblem:
    """The same for the same case."""
    chance = random.Random(case.seed)
    grid = Grid(START, case.weeks * 7 * 288)
    days = [START + timedelta(days=n) for n in range(case.weeks * 7)]
    opened = [
        Span(day + timedelta(hours=OPENS), day + timedelta(hours=SHUTS))
        for day in days
        if day.isoweekday() < 7
    ]
    visits = [
        visit
        for clinic in range(1, case.clinics + 1)
        for span in opened
        for visit in _day(clinic, span, case.occupied, chance)
    ]
    struck = sorted(
        (one for one in visits if one.clinic <= case.hit and one.start >= CLOSES),
        key=lambda one: (one.start, one.clinic, one.keys["operator"]),
    )
    lost, rest = struck[: case.displaced], struck[case.displaced :]
    reopens = rest[0].start if rest else grid.end
    diary = Diary()
    for visit in [one for one in visits if one.clinic > case.hit or one.start < CLOSES] + rest:
        diary.add(visit)
    closed = [
        Span(span.start, min(span.end, reopens))
        for span in opened
        if CLOSES <= span.start < reopens
    ]
    clinics = tuple(
        _clinic(number, grid, opened, closed if number <= case.hit else [], diary)
        for number in range(1, case.clinics + 1)
    )
    displaced = (_displaced(key, one, case, chance) for key, one in enumerate(lost, start=1))
    return ReplanProblem(grid, clinics, tuple(displaced))


def _day(clinic: int, opened: Span, occupied: float, chance: random.Random) -> list[Visit]:
    """Visits of one clinic on one day, until its rooms are as occupied as asked for."""
    diary, visits = Diary(), []
    whole = int(opened.duration.total_seconds() // 60)
    wanted = occupied * ROOMS * whole
    for _ in range(400):
        if wanted <= 0:
            break
        timeline = chance.choice(TIMELINES)
        needs = chance.choices(INKS, OFTEN)[0]
        start = opened.start + timedelta(minutes=STEP * chance.randrange(whole // STEP))
        if start + timedelta(minutes=timeline.minutes) > opened.end:
            continue
        visit = _visit(clinic, start, timeline, needs, diary, chance)
        if visit:
            diary.add(visit)
            visits.append(visit)
            wanted -= timeline.minutes
    return visits


def _visit(
    clinic: int,
    start: datetime,
    timeline: Timeline,
    needs: tuple[InkNeed, ...],
    diary: Diary,
    chance: random.Random,
) -> Visit | None:
    spans = role_spans(timeline, start=start)
    fit = [
        number
        for number, lines in enumerate(LASERS)
        if all(lines & set(need.wavelengths_nm) for need in needs)
    ]
    keys = {}
    for kind, numbers in (
        ("laser", fit),
        ("room", range(ROOMS)),
        ("operator", range(OPERATORS)),
    ):
        free = [
            one
            for one in (clinic * 10 + number for number in numbers)
            if diary.is_free((kind, one), spans[ROLE_OF[kind]])
        ]
        if not free:
            return None
        keys[kind] = chance.choice(free)
    return Visit(clinic, start, timeline, needs, {**keys, "handpiece": keys["laser"]})


def _clinic(
    number: int, grid: Grid, opened: list[Span], closed: list[Span], diary: Diary
) -> ClinicCandidates:
    def free(kind: str, one: int) -> bytes:
        return grid.always(busy=diary.taken.get((kind, one), ()))

    first = number * 10
    lasers = [(first + at, frozenset(lines)) for at, lines in enumerate(LASERS)]
    return ClinicCandidates(
        number,
        ZONE,
        grid.row(opened, busy=closed),
        tuple(
            RoomCandidate(one, free("room", one), True, LINES)
            for one in range(first, first + ROOMS)
        ),
        tuple(
            OperatorCandidate(one, free("operator", one), (OperatorCredential(date(2020, 1, 1)),))
            for one in range(first, first + OPERATORS)
        ),
        tuple(LaserCandidate(one, free("laser", one), one, lines) for one, lines in lasers),
        tuple(
            HandpieceCandidate(one, free("handpiece", one), lines, (FittedTo(one, LONG_AGO),))
            for one, lines in lasers
        ),
    )


def _displaced(key: int, lost: Visit, case: Case, chance: random.Random) -> Displaced:
    """Windows close up to ten days before the lost slot; four in ten cannot come at any time."""
    day = lost.start.date()
    wishes = chance.choices(
        (
            (),
            (TimeWish(since=time(13)),),
            (TimeWish(until=time(14)),),
            (TimeWish(weekdays=frozenset(chance.sample(range(1, 7), 3))),),
        ),
        (6, 2, 1, 1),
    )[0]
    neighbours = [(lost.clinic - 1 + away) % case.clinics + 1 for away in (1, 2)]
    accepted = (lost.clinic, *(one for one in neighbours if chance.random() < 0.3))
    request = SlotRequest(
        lost.timeline,
        lost.needs,
        earliest_at=CLOSES - timedelta(hours=2),
        window_closes_on=day - timedelta(days=chance.randint(0, 10)),
        advised_on=day + timedelta(days=chance.randint(-3, 3)),
        wishes=wishes,
        familiar_operator_ids=frozenset({lost.keys["operator"]}),
    )
    old = OldSlot(lost.start, lost.clinic, lost.keys["operator"])
    return Displaced(key, key, request, tuple(dict.fromkeys(accepted)), old)
