"""Rows of free time read from the occupancy are those that the reservations give."""

from datetime import timedelta

import pytest
from django.db import transaction
from hypothesis import given
from hypothesis import strategies as st

from clinics.models import Occupancy
from clinics.selectors import busy_spans_for
from clinics.vocabulary import ResourceKind
from core.spans import Span
from courses.selectors.occupancy import duty_row, free_time, reserved
from courses.slots import Grid
from tests.support.factories import (
    instant,
    make_chain,
    make_hold,
    make_reservation,
    make_resource,
    span,
)

pytestmark = pytest.mark.django_db

NOW = instant("2026-03-02T08:00Z")
MIDNIGHT = instant("2026-03-02T00:00Z")

minutes = st.integers(0, 4 * 24 * 60)
visits = st.lists(
    st.tuples(minutes, st.integers(1, 400), st.sampled_from(["firm", "held", "expired"])),
    max_size=12,
)
grids = st.tuples(st.integers(0, 2 * 288), st.integers(1, 2 * 288))


def cells(grid: Grid, row: bytes) -> list[bool]:
    return grid.unpack([row])[0].tolist()


def book(resource, asked) -> None:
    taken: list[Span] = []
    for minute, length, kind in asked:
        when = span(MIDNIGHT + timedelta(minutes=minute), minutes=length)
        if any(when.overlaps(other) for other in taken):
            continue
        taken.append(when)
        if kind == "firm":
            make_reservation(resource, when)
        else:
            live = timedelta(minutes=5 if kind == "held" else -5)
            make_hold(resource, when, expires_at=NOW + live)


@given(asked=visits, others=visits, at=grids)
def test_they_agree_on_any_grid(django_db_blocker, asked, others, at):
    grid = Grid(MIDNIGHT + timedelta(minutes=5 * at[0]), at[1])
    whole = Span(grid.start, grid.end)
    with transaction.atomic():
        chain = make_chain()
        laser = make_resource(chain)
        room = make_resource(chain, ResourceKind.ROOM)
        patient = make_resource(chain, ResourceKind.PATIENT)
        for resource, some in ((laser, asked), (room, others), (patient, asked)):
            book(resource, some)
        ids = [laser.pk, room.pk]
        found = free_time(ids, patient_resource_ids=[patient.pk, None], grid=grid, now=NOW)
        expected = busy_spans_for([*ids, patient.pk], whole, now=NOW)
        for pk in ids:
            assert cells(grid, found.rows[pk]) == cells(grid, grid.always(busy=expected[pk]))
        assert found.busy == {patient.pk: expected[patient.pk]}
        assert reserved([*ids, patient.pk], grid=grid, now=NOW) == expected
        transaction.set_rollback(True)


def test_it_costs_one_query_for_any_number(django_assert_num_queries):
    chain = make_chain()
    ids = [make_resource(chain).pk for _ in range(30)]
    grid = Grid.whole_days(Span(NOW, NOW + timedelta(days=56)))
    for some in (ids[:2], ids):
        with django_assert_num_queries(1):
            found = free_time(some, patient_resource_ids=[], grid=grid, now=NOW)
        assert set(found.rows) == set(some)


def test_it_believes_the_occupancy_and_booking_does_not():
    laser = make_resource(make_chain())
    make_reservation(laser, span("2026-03-02T10:00Z"))
    grid = Grid.whole_days(span("2026-03-02T10:00Z"))
    Occupancy.objects.update(bits=bytes(36))
    assert free_time([laser.pk], grid=grid, now=NOW).rows[laser.pk] == grid.always()
    assert reserved([laser.pk], grid=grid, now=NOW)[laser.pk] == [span("2026-03-02T10:00Z")]


@given(
    shifts=st.lists(st.lists(st.tuples(st.integers(-600, 3000), st.integers(1, 900)), max_size=4)),
    since=st.integers(0, 400),
)
def test_a_shift_counts_with_the_cells_that_lie_wholly_in_it(shifts, since):
    grid = Grid(MIDNIGHT + timedelta(minutes=5 * since), 288)
    people = [
        [span(MIDNIGHT + timedelta(minutes=begin), minutes=length) for begin, length in some]
        for some in shifts
    ]
    for some in people:
        starts = tuple(one.start.timestamp() for one in some)
        ends = tuple(one.end.timestamp() for one in some)
        assert duty_row(starts, ends, grid) == grid.row(some)
