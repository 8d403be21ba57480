"""Many threads at the same diary: the real booking, and controls without its lock or constraint."""

import random
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import timedelta

from django.db import IntegrityError, OperationalError, connection, transaction

from clinics.models import Reservation
from clinics.vocabulary import ReservationReason
from core.db import as_range, sqlstate
from core.errors import DomainError
from core.spans import Span
from courses.models import Appointment, Course
from courses.selectors.visits import Place, Visit
from courses.services.booking import appointment_book, appointment_cancel
from courses.slots import Timeline
from tests.support.booking import (
    NOW,
    TOMORROW_TEN,
    Stage,
    fit_handpiece,
    make_laser,
    make_operator,
    make_running_course,
    make_stage,
)
from tests.support.factories import make_room

MINUTES = 30
STARTS = [TOMORROW_TEN + timedelta(minutes=15 * quarter) for quarter in range(16)]

OVERLAPS = """
    SELECT count(*) FROM clinics_reservation a
    JOIN clinics_reservation b ON a.resource_id = b.resource_id AND a.id < b.id
     AND a.period && b.period
"""


@dataclass(frozen=True, slots=True)
class Arena:
    """One clinic that several threads fight over."""

    stage: Stage
    rooms: Sequence[int]
    operators: Sequence[int]
    devices: Sequence[tuple[int, int]]
    courses: Sequence[Course]

    def random_visit(self, rng: random.Random) -> Visit:
        laser, handpiece = rng.choice(self.devices)
        return Visit(
            starts_at=rng.choice(STARTS),
            timeline=Timeline.whole_visit(MINUTES),
            place=Place(
                clinic_id=self.stage.clinic.pk,
                room_id=rng.choice(self.rooms),
                operator_id=rng.choice(self.operators),
                laser_id=laser,
                handpiece_ids=(handpiece,),
            ),
            wavelengths_nm=(1064,),
        )


def make_arena(*, units: int = 2, courses: int = 24) -> Arena:
    """Rooms, operators and lasers, `units` of each, and courses that want them all."""
    stage = make_stage()
    rooms, operators = [stage.room.pk], [stage.operator.pk]
    devices = [(stage.laser.pk, stage.handpiece.pk)]
    for _ in range(units - 1):
        rooms.append(make_room(stage.clinic).pk)
        operators.append(make_operator(stage.clinic, days=3).pk)
        laser = make_laser(stage.clinic)
        devices.append((laser.pk, fit_handpiece(laser).pk))
    return Arena(
        stage=stage,
        rooms=rooms,
        operators=operators,
        devices=devices,
        courses=[make_running_course(stage.clinic) for _ in range(courses)],
    )


@dataclass(slots=True)
class Tally:
    """What came of the attempts, and how long each took (s)."""

    outcomes: Counter[str] = field(default_factory=Counter)
    seconds: list[float] = field(default_factory=list)

    def add(self, other: "Tally") -> None:
        self.outcomes.update(other.outcomes)
        self.seconds.extend(other.seconds)

    def quantile_ms(self, share: float) -> float:
        ranked = sorted(self.seconds)
        return 1000 * ranked[min(len(ranked) - 1, int(share * len(ranked)))]


Attempt = Callable[[Arena, random.Random], str]


def race(arena: Arena, attempt: Attempt, *, threads: int, attempts: int, seed: int = 0) -> Tally:
    """`attempts` in all, shared by the threads; every outcome is counted."""
    total = Tally()
    with ThreadPoolExecutor(max_workers=threads) as pool:
        jobs = [
            pool.submit(_run, arena, attempt, attempts // threads, seed + thread)
            for thread in range(threads)
        ]
        for job in jobs:
            total.add(job.result())
    return total


def _run(arena: Arena, attempt: Attempt, attempts: int, seed: int) -> Tally:
    rng = random.Random(seed)
    tally = Tally()
    try:
        for _ in range(attempts):
            began = time.perf_counter()
            tally.outcomes[attempt(arena, rng)] += 1
            tally.seconds.append(time.perf_counter() - began)
    finally:
        connection.close()
    return tally


def booking(arena: Arena, rng: random.Random) -> str:
    """The real command; a booking made is mostly given up again, so that the fight goes on."""
    try:
        made = appointment_book(
            course_id=rng.choice(arena.courses).pk,
            visit=arena.random_visit(rng),
            actor=arena.stage.desk,
            now=NOW,
        )
        if rng.random() < 0.9:
            appointment_cancel(
                appointment_id=made.pk, reason="race", actor=arena.stage.desk, now=NOW
            )
    except DomainError as refusal:
        return refusal.code
    except OperationalError as error:
        return sqlstate(error) or "operational_error"
    return "booked"


def check_then_insert(arena: Arena, rng: random.Random) -> str:
    """Control: look first, then insert, without a lock."""
    resources, span = _wanted(arena, rng)
    with transaction.atomic():
        if Reservation.objects.filter(resource_id__in=resources).overlapping(span).exists():
            return "slot_taken"
        _insert(resources, span, source=f"control:{rng.random()}")
    return "booked"


def insert_and_hope(arena: Arena, rng: random.Random) -> str:
    """Control: the exclusion constraint alone, resources in random order, row by row."""
    resources, span = _wanted(arena, rng)
    rng.shuffle(resources)
    source = f"control:{rng.random()}"
    try:
        with transaction.atomic():
            for resource in resources:
                _insert([resource], span, source=source)
        if rng.random() < 0.9:
            Reservation.objects.filter(source=source).delete()
    except IntegrityError:
        return "slot_taken"
    except OperationalError as error:
        return sqlstate(error)
    return "booked"


def _wanted(arena: Arena, rng: random.Random) -> tuple[list[int], Span]:
    """Resource ids stand in for the real ones: rooms, operators, lasers, handpieces, a patient."""
    visit = arena.random_visit(rng)
    patient = rng.choice(arena.courses).patient.resource_id
    rows = resource_ids(visit.place)
    return [*rows, patient], Span(visit.starts_at, visit.ends_at)


_known: dict[Place, list[int]] = {}


def resource_ids(place: Place) -> list[int]:
    """The resources of a place, remembered: the controls are to race, not to look up."""
    if place not in _known:
        from_tables = (
            ("clinics_room", [place.room_id]),
            ("clinics_staffmember", [place.operator_id]),
            ("devices_laser", [place.laser_id]),
            ("devices_handpiece", list(place.handpiece_ids)),
        )
        found: list[int] = []
        with connection.cursor() as cursor:
            for table, ids in from_tables:
                cursor.execute(f"SELECT resource_id FROM {table} WHERE id = ANY(%s)", [ids])
                found.extend(pk for (pk,) in cursor.fetchall())
        _known[place] = found
    return _known[place]


def _insert(resources: Sequence[int], span: Span, *, source: str) -> None:
    Reservation.objects.bulk_create(
        [
            Reservation(
                resource_id=pk,
                period=as_range(span),
                reason=ReservationReason.APPOINTMENT,
                source=source,
            )
            for pk in resources
        ]
    )


def overlaps() -> int:
    """Pairs of reservations of one resource that share an instant."""
    with connection.cursor() as cursor:
        cursor.execute(OVERLAPS)
        return int(cursor.fetchone()[0])


def half_written() -> int:
    """Booked appointments that do not have exactly their five reservations, and the reverse."""
    wrong = 0
    sources = Counter(Reservation.objects.values_list("source", flat=True))
    for pk in Appointment.objects.filter(status="booked").values_list("pk", flat=True):
        wrong += sources.pop(f"appointment:{pk}", 0) != 5
    return wrong + len(sources)


def drop_constraint() -> None:
    """Take the exclusion constraint away, to show what it keeps out."""
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE clinics_reservation DROP CONSTRAINT reservation_no_overlap")


def restore_constraint() -> None:
    """Put it back, on an empty table."""
    with connection.cursor() as cursor:
        cursor.execute(
            "ALTER TABLE clinics_reservation ADD CONSTRAINT reservation_no_overlap "
            "EXCLUDE USING gist (resource_id WITH =, period WITH &&)"
        )


def clear_reservations() -> None:
    """An empty diary."""
    Reservation.objects.all().delete()
