"""The invented diary of one clinic: visits that never collide, by construction.

On a day each room has its own operator, laser and handpiece, and visits follow one another in
it. A third of the visits have two passes, with room and patient alone busy in the wait between.
"""

import json
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from clinics.hours.wall_time import instant_at
from courses.slots import Segment, Timeline
from courses.vocabulary import TreatmentRole

OPENS, CLOSES = time(9), time(19)
ROOMS, OPERATORS, LASERS = 4, 6, 5
WHOLE_MINUTES = (30, 40, 45, 60, 75)
TWO_PASSES = (10, 10, 20, 10, 10)
OPEN_MINUTES = 600
STEADY_WEEKS = 8
EVERYONE = frozenset(TreatmentRole)
STAFFED = frozenset({TreatmentRole.ROOM, TreatmentRole.PATIENT, TreatmentRole.OPERATOR})
WAITING = frozenset({TreatmentRole.ROOM, TreatmentRole.PATIENT})


@dataclass(frozen=True, slots=True)
class Shape:
    """A timeline as it is stored, and when each role is busy: minutes (from, until)."""

    minutes: int
    stored: str
    busy: tuple[tuple[TreatmentRole, int, int], ...]


@dataclass(frozen=True, slots=True)
class Booking:
    """One visit: positions of room, operator and laser in the clinic, and its shape."""

    day: date
    start: datetime
    room: int
    operator: int
    laser: int
    shape: Shape


def shape_of(timeline: Timeline) -> Shape:
    stored = [
        {
            "minutes": segment.minutes,
            "label": segment.label,
            "roles": [role.value for role in TreatmentRole if role in segment.roles],
        }
        for segment in timeline.segments
    ]
    busy = tuple(
        (role, begin, end) for role in TreatmentRole for begin, end in timeline.role_minutes(role)
    )
    return Shape(timeline.minutes, json.dumps(stored), busy)


def shapes() -> tuple[Shape, ...]:
    """The shapes of visits that there are; those with two passes a third of them."""
    prepare, first, wait, second, finish = TWO_PASSES
    two = Timeline(
        (
            Segment(prepare, STAFFED, "preparation"),
            Segment(first, EVERYONE, "pass 1"),
            Segment(wait, WAITING, "wait"),
            Segment(second, EVERYONE, "pass 2"),
            Segment(finish, STAFFED, "aftercare"),
        )
    )
    whole = [shape_of(Timeline.whole_visit(minutes)) for minutes in WHOLE_MINUTES]
    return (*whole, *[shape_of(two)] * (len(whole) // 2))


SHAPES = shapes()
ROWS_A_VISIT = sum(len(shape.busy) for shape in SHAPES) / len(SHAPES)


def off_duty(operator: int, day: date) -> bool:
    """Everyone is off on Sundays and on one more weekday of their own."""
    return day.isoweekday() in (7, operator % OPERATORS + 1)


def day_bookings(
    day: date, *, zone: ZoneInfo, filled: float, chance: random.Random
) -> Iterator[Booking]:
    """The visits of one local day, about the share `filled` of what the rooms can hold."""
    if day.isoweekday() == 7:
        return
    operators = [one for one in range(OPERATORS) if not off_duty(one, day)]
    lasers = list(range(LASERS))
    chance.shuffle(operators)
    chance.shuffle(lasers)
    opens = instant_at(day, OPENS, zone=zone)
    length = int((instant_at(day, CLOSES, zone=zone) - opens).total_seconds() // 60)
    for room in range(ROOMS):
        at = 0
        while True:
            shape = chance.choice(SHAPES)
            if at + shape.minutes > length:
                break
            if chance.random() < filled:
                start = opens + timedelta(minutes=at)
                yield Booking(day, start, room, operators[room], lasers[room], shape)
            at += shape.minutes


def fill_of_future(*, rows_a_clinic: float, weeks: int) -> list[float]:
    """How full each coming week is, so that a clinic has about so many reservations in all.

    Sessions are booked when the one before ends, for about eight weeks later: as full until
    then, and thinner after it.
    """
    shape = [
        1.0 if week < STEADY_WEEKS else 0.6 ** (week - STEADY_WEEKS + 1) for week in range(weeks)
    ]
    mean_minutes = sum(one.minutes for one in SHAPES) / len(SHAPES)
    full_week = 6 * ROOMS * OPEN_MINUTES / mean_minutes * ROWS_A_VISIT
    full = min(0.95, rows_a_clinic / (full_week * sum(shape)))
    return [full * share for share in shape]
