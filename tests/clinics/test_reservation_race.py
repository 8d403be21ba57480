"""Two writers of the same resources queue: one wins, nobody deadlocks, nothing is written twice."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection

from clinics.errors import ResourceTaken
from clinics.models import Reservation
from clinics.services.reservations import Wanted, reserve
from core.db import command
from tests.support.factories import instant, make_chain, make_resource, span

pytestmark = pytest.mark.django_db(transaction=True)

NOW = instant("2026-03-02T08:00Z")
ROUNDS = 25


def test_of_two_threads_exactly_one_gets_each_slot():
    chain = make_chain()
    resources = [make_resource(chain).pk for _ in range(4)]
    barrier = Barrier(2, timeout=20)

    def book(name, order):
        won = 0
        for number in range(ROUNDS):
            slot = span(NOW.replace(hour=number % 24, day=1 + number // 24), minutes=60)
            plan = [Wanted(resource_id=pk, span=slot) for pk in order]
            barrier.wait()
            try:
                command(reserve)(wanted=plan, source=f"{name}:{number}", now=NOW)
            except ResourceTaken:
                continue
            won += 1
        connection.close()
        return won

    with ThreadPoolExecutor(max_workers=2) as pool:
        wins = [
            pool.submit(book, "forwards", resources),
            pool.submit(book, "backwards", resources[::-1]),
        ]
        won = [win.result(timeout=60) for win in wins]
    assert sum(won) == ROUNDS
    assert Reservation.objects.count() == ROUNDS * len(resources)
