"""Eight threads at one diary: no overlap, no deadlock, nothing half written; with controls."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection, transaction

from clinics.models import Reservation
from core.errors import DomainError
from core.spans import Span
from courses.services.booking import appointment_book
from tests.support.booking import NOW
from tests.support.race import (
    MINUTES,
    STARTS,
    booking,
    clear_reservations,
    drop_constraint,
    half_written,
    insert_and_hope,
    make_arena,
    overlaps,
    race,
    restore_constraint,
)

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

THREADS = 8


@pytest.fixture
def without_constraint() -> Iterator[None]:
    drop_constraint()
    yield
    clear_reservations()
    restore_constraint()


def test_of_eight_threads_one_gets_the_slot():
    arena = make_arena(units=1, courses=THREADS)
    stage = arena.stage
    barrier = Barrier(THREADS, timeout=30)

    def book(course):
        barrier.wait()
        try:
            appointment_book(course_id=course.pk, visit=stage.visit(), actor=stage.desk, now=NOW)
        except DomainError as refusal:
            return refusal.code
        finally:
            connection.close()
        return "booked"

    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        outcomes = sorted(pool.map(book, arena.courses))
    assert outcomes == ["booked"] + ["slot_taken"] * (THREADS - 1)
    assert Reservation.objects.count() == 5


def test_a_fight_over_few_resources_leaves_no_overlap_and_shows_no_deadlock():
    arena = make_arena()
    tally = race(arena, booking, threads=THREADS, attempts=400)
    assert set(tally.outcomes) <= {"booked", "slot_taken", "course_already_booked"}
    assert tally.outcomes["booked"] > 20
    assert tally.outcomes["slot_taken"] > 5
    assert overlaps() == 0
    assert half_written() == 0


def test_control_without_lock_and_constraint_books_twice(without_constraint):
    arena = make_arena(units=1, courses=2)
    room = arena.stage.room.resource_id
    span = Span(STARTS[0], STARTS[2])
    barrier = Barrier(2, timeout=30)

    def look_then_insert(source):
        with transaction.atomic():
            free = not Reservation.objects.filter(resource_id=room).overlapping(span).exists()
            barrier.wait()
            if free:
                Reservation.objects.create(
                    resource_id=room,
                    period=(span.start, span.end),
                    reason="appointment",
                    source=source,
                )
        connection.close()

    with ThreadPoolExecutor(max_workers=2) as pool:
        list(pool.map(look_then_insert, ["control:a", "control:b"]))
    assert overlaps() == 1


def test_control_with_the_constraint_alone_deadlocks():
    arena = make_arena(units=1, courses=THREADS)
    for seed in range(20):
        tally = race(arena, insert_and_hope, threads=THREADS, attempts=160, seed=seed * THREADS)
        assert overlaps() == 0
        if tally.outcomes["40P01"]:
            return
        clear_reservations()
    pytest.fail(f"no deadlock in 20 rounds of visits of {MINUTES} minutes: the lock proves nothing")
