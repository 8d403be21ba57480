"""How many sessions a day one laser and two rooms hold: whole visits, and visits in segments.

Run: python -m bench.segments [--hours 8] [--seed 1]
No database. The day is filled by the real search until a patient finds no slot. `whole` and
`segments` give each patient in turn the earliest start there is; `ranked` the slot that the search
ranks first (in segments). `bound` is what no diary could pass: of rooms, laser and operators the
one that is used up first. A wait after a pass is 20 minutes, preparation and aftercare 10 each.
"""

import argparse
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import repeat
from zoneinfo import ZoneInfo

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
from courses.vocabulary import TreatmentRole

OPENS = datetime(2026, 6, 1, 9, tzinfo=UTC)
NEED = (InkNeed("black", (1064,)),)
ROOMS = 2
KINDS = (TreatmentRole.ROOM, TreatmentRole.OPERATOR, TreatmentRole.LASER, TreatmentRole.HANDPIECE)
HEADER = "{:<27}{:>10}{:>9}{:>8}{:>10}{:>8}{:>8}{:>8}{:>14}{:>14}"
ROW = "{:<27}{:>10}{:>9}{:>8}{:>10}{:>8}{:>8}{:>8}{:>14.0%}{:>14.0%}"


@dataclass(frozen=True)
class Filled:
    """A full day: sessions, and the share of it in which the laser was reserved."""

    sessions: int
    laser_share: float


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    day = Span(OPENS, OPENS + timedelta(hours=asked.hours))
    print(f"One laser, {ROOMS} rooms, {asked.hours} hours; sessions a day")
    print(
        HEADER.format(
            "visit",
            "operators",
            "minutes",
            "whole",
            "segments",
            "more",
            "ranked",
            "bound",
            "laser, whole",
            "laser, segs.",
        )
    )
    for operators in (1, 2):
        for passes, minutes in ((1, 10), (2, 10), (3, 5), (3, 10), (4, 5), (4, 10)):
            timeline = visit(passes, minutes)
            show(f"{passes} x {minutes} min", [timeline], day, operators=operators)
        mixed = random.Random(asked.seed)
        visits = [visit(mixed.randint(1, 4), mixed.choice((5, 10))) for _ in range(200)]
        show("mixed, in order of arrival", visits, day, operators=operators)


def show(name: str, visits: list[Timeline], day: Span, *, operators: int) -> None:
    whole = fill(map(whole_visit, cycle(visits)), day, operators=operators)
    parts = fill(cycle(visits), day, operators=operators)
    ranked = fill(cycle(visits), day, operators=operators, earliest=False)
    print(
        ROW.format(
            name,
            operators,
            visits[0].minutes if len(visits) == 1 else "",
            whole.sessions,
            parts.sessions,
            f"+{parts.sessions / whole.sessions - 1:.0%}",
            ranked.sessions,
            bound(visits[0], day, operators=operators) if len(visits) == 1 else "",
            whole.laser_share,
            parts.laser_share,
        )
    )


def visit(passes: int, minutes: int) -> Timeline:
    """A session of so many passes of so many minutes."""
    return multi_pass(
        repeat(minutes, passes), wait_minutes=20, prepare_minutes=10, finish_minutes=10
    )


def whole_visit(timeline: Timeline) -> Timeline:
    """The same length with everything reserved from start to end."""
    return Timeline.whole_visit(timeline.minutes)


def cycle(visits: list[Timeline]) -> Iterator[Timeline]:
    while True:
        yield from visits


def fill(visits: Iterator[Timeline], day: Span, *, operators: int, earliest: bool = True) -> Filled:
    """Book one after the other until one finds no slot.

    In a mixed day shorter ones after it might still fit: the first that does not ends the day.
    """
    grid = Grid.covering(day)
    busy: dict[tuple[TreatmentRole, int], list[Span]] = {}
    sessions = 0
    for timeline in visits:
        request = SlotRequest(timeline=timeline, needs=NEED, earliest_at=day.start, limit=1)
        clinic = clinic_of(grid, busy, operators=operators)
        starts = feasible_starts(request, grid=grid, clinic=clinic)
        if not starts:
            break
        if earliest:
            # The patient is busy at every later time.
            later = starts[0] + timedelta(minutes=timeline.minutes)
            if later < day.end:
                request = replace(request, patient_busy=(Span(later, day.end),))
        [slot] = search_slots(request, grid=grid, clinics=[clinic]).slots
        sessions += 1
        ids = (slot.room_id, slot.operator_id, slot.laser_id, slot.handpiece_ids[0])
        spans = role_spans(timeline, start=slot.start)
        for role, own_id in zip(KINDS, ids, strict=True):
            taken = busy.setdefault((role, own_id), [])
            assert not any(one.overlaps(other) for one in taken for other in spans[role])
            taken.extend(spans[role])
    reserved = sum((span.duration for span in busy[TreatmentRole.LASER, 1]), timedelta())
    return Filled(sessions, reserved / day.duration)


def clinic_of(grid: Grid, busy: dict, *, operators: int) -> ClinicCandidates:
    def row(role: TreatmentRole, own_id: int) -> bytes:
        return grid.always(busy=busy.get((role, own_id), ()))

    lines = frozenset({1064})
    return ClinicCandidates(
        id=1,
        zone=ZoneInfo("UTC"),
        open=grid.always(),
        rooms=tuple(
            RoomCandidate(one, row(TreatmentRole.ROOM, one), True, lines)
            for one in range(1, ROOMS + 1)
        ),
        operators=tuple(
            OperatorCandidate(
                one, row(TreatmentRole.OPERATOR, one), (OperatorCredential(date(2020, 1, 1)),)
            )
            for one in range(1, operators + 1)
        ),
        lasers=(LaserCandidate(1, row(TreatmentRole.LASER, 1), 1, lines),),
        handpieces=(
            HandpieceCandidate(
                1,
                row(TreatmentRole.HANDPIECE, 1),
                lines,
                (FittedTo(1, OPENS - timedelta(days=1)),),
            ),
        ),
    )


def bound(timeline: Timeline, day: Span, *, operators: int) -> int:
    """What the scarcest of rooms, operators and the laser would allow without any gap."""
    minutes = day.duration // timedelta(minutes=1)
    units = {TreatmentRole.ROOM: ROOMS, TreatmentRole.OPERATOR: operators, TreatmentRole.LASER: 1}
    return min(
        units[role] * minutes // sum(end - begin for begin, end in timeline.role_minutes(role))
        for role in units
    )


if __name__ == "__main__":
    main()
