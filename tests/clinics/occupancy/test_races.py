"""Writers at once, with and without the booking's locks: no bit is lost, nobody deadlocks."""

import random
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from time import monotonic

import pytest
from django.db import connection, transaction

from clinics.models import Reservation
from clinics.services.reservations import Wanted, release, reserve
from clinics.vocabulary import ReservationReason, ResourceKind
from core.db import as_range, command
from tests.support.factories import instant, make_chain, make_reservation, make_resource, span
from tests.support.occupancy import busy_cells, cells_of, plain_cells

pytestmark = pytest.mark.django_db(transaction=True)

MIDNIGHT = instant("2026-03-02T00:00Z")
NOW = MIDNIGHT
THREADS = 6
ROUNDS = 20

WITHOUT_LOCK = """
    CREATE OR REPLACE FUNCTION occupancy_refresh(resources bigint[], days date[])
    RETURNS void LANGUAGE plpgsql AS $$
    BEGIN
        INSERT INTO clinics_occupancy AS kept (resource_id, day, bits)
        SELECT * FROM occupancy_expected(resources, days) AS expected ORDER BY 1, 2
        ON CONFLICT (resource_id, day) DO UPDATE SET bits = excluded.bits;
    END $$;
"""


def together(work) -> None:
    """Run work(number) in THREADS threads that start at once; the first error is raised."""
    barrier = Barrier(THREADS, timeout=20)

    def run(number):
        barrier.wait()
        try:
            work(number)
        finally:
            connection.close()

    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        for done in [pool.submit(run, number) for number in range(THREADS)]:
            done.result(timeout=60)


def raw_insert(resources, start, *, source) -> None:
    """One statement, no locks, in the order given."""
    Reservation.objects.bulk_create(
        Reservation(
            resource=one,
            period=as_range(span(start, minutes=7)),
            reason=ReservationReason.SERVICE,
            source=source,
        )
        for one in resources
    )


def test_writers_without_locks_lose_nothing_and_do_not_deadlock():
    """All on the same resources and days, each at its own times, in orders of their own."""
    chain = make_chain()
    resources = [make_resource(chain, ResourceKind.ROOM) for _ in range(4)]

    def write(number):
        chance = random.Random(number)
        for turn in range(ROUNDS):
            start = MIDNIGHT + timedelta(minutes=8 * (turn * THREADS + number), days=turn % 2)
            raw_insert(chance.sample(resources, 4), start, source=f"raw:{number}:{turn}")
            if turn % 3 == 2:
                Reservation.objects.filter(source=f"raw:{number}:{turn - 1}").delete()

    together(write)
    for resource in resources:
        assert busy_cells(resource) == plain_cells(resource)


def test_bookings_and_writers_without_locks_together():
    """A unit that books twice takes its locks first; a raw statement between waits its turn."""
    chain = make_chain()
    resources = [make_resource(chain, ResourceKind.ROOM) for _ in range(4)]

    @command
    def book(start, source):
        for later, some in enumerate((resources, resources[::-1])):
            when = span(start + timedelta(days=1 - later), minutes=7)
            reserve(
                wanted=[Wanted(resource_id=one.pk, span=when) for one in some],
                source=source,
                now=NOW,
            )

    def write(number):
        for turn in range(ROUNDS):
            start = MIDNIGHT + timedelta(minutes=8 * (turn * THREADS + number))
            source = f"mixed:{number}:{turn}"
            if number % 2:
                raw_insert(resources[::-1], start, source=source)
            else:
                book(start, source)
                if turn % 4 == 3:
                    command(release)(source=source)

    together(write)
    for resource in resources:
        assert busy_cells(resource) == plain_cells(resource)


@pytest.fixture
def without_lock():
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_get_functiondef('occupancy_refresh'::regproc)")
        (kept,) = cursor.fetchone()
        cursor.execute(WITHOUT_LOCK)
    yield
    with connection.cursor() as cursor:
        cursor.execute(kept)


def crossing(resource) -> None:
    """Two writers on one day: the second has written before the first commits."""
    make_reservation(resource, span("2026-03-02T08:00Z"))
    with ThreadPoolExecutor(max_workers=1) as pool:

        def second():
            try:
                make_reservation(resource, span("2026-03-02T12:00Z"))
            finally:
                connection.close()

        with transaction.atomic():
            make_reservation(resource, span("2026-03-02T10:00Z"))
            done = pool.submit(second)
            wait_until_someone_waits()
        done.result(timeout=20)


def wait_until_someone_waits() -> None:
    """Until another session waits for this transaction."""
    until = monotonic() + 20
    with connection.cursor() as cursor:
        while monotonic() < until:
            cursor.execute(
                "SELECT 1 FROM pg_locks"
                " WHERE NOT granted AND transactionid = pg_current_xact_id()::xid"
            )
            if cursor.fetchone():
                return
    raise AssertionError("nobody waited")


def test_the_second_writer_of_a_day_sees_what_the_first_wrote():
    resource = make_resource(make_chain())
    crossing(resource)
    assert busy_cells(resource) == plain_cells(resource)


def test_control_without_the_lock_the_first_writers_bits_are_lost(without_lock):
    resource = make_resource(make_chain())
    crossing(resource)
    lost = plain_cells(resource) - busy_cells(resource)
    assert lost == cells_of("2026-03-02T10:00Z", minutes=60)
