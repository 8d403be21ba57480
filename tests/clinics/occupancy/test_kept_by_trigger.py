"""The occupancy that searches read follows the reservations, whoever writes them."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection, transaction
from hypothesis import given
from hypothesis import strategies as st

from clinics.models import Occupancy, Reservation
from clinics.services.reservations import Wanted, release, reserve
from clinics.vocabulary import ReservationReason, ResourceKind
from core.db import as_range, command
from core.spans import Span
from core.vocabulary import ReservationStatus
from tests.support.factories import (
    instant,
    make_chain,
    make_hold,
    make_reservation,
    make_resource,
    span,
)
from tests.support.occupancy import busy_cells, cells_of, plain_cells

pytestmark = pytest.mark.django_db

NOW = instant("2026-03-02T08:00Z")


@pytest.fixture
def laser():
    return make_resource(make_chain())


def test_a_reservation_takes_the_cells_it_touches(laser):
    make_reservation(laser, span("2026-03-02T10:02Z", minutes=29))
    assert busy_cells(laser) == cells_of("2026-03-02T10:00Z", minutes=35)


def test_touching_reservations_share_a_cell_and_one_of_them_keeps_it(laser):
    first = make_reservation(laser, span("2026-03-02T10:02Z", minutes=29))
    make_reservation(laser, span("2026-03-02T10:31Z", minutes=29))
    first.delete()
    assert busy_cells(laser) == cells_of("2026-03-02T10:30Z", minutes=30)


def test_a_reservation_across_midnight_takes_both_utc_days(laser):
    make_reservation(laser, span("2026-03-02T23:40+00:00", minutes=45))
    assert busy_cells(laser) == cells_of("2026-03-02T23:40Z", minutes=45)
    assert [str(row.day) for row in Occupancy.objects.order_by("day")] == [
        "2026-03-02",
        "2026-03-03",
    ]


def test_one_that_ends_at_midnight_does_not_touch_the_next_day(laser):
    make_reservation(laser, span("2026-03-02T23:00Z", minutes=60))
    assert Occupancy.objects.count() == 1


def test_a_move_frees_the_old_cells(laser):
    row = make_reservation(laser, span("2026-03-02T10:00Z"))
    row.period = as_range(span("2026-03-09T11:00Z"))
    row.save()
    assert busy_cells(laser) == cells_of("2026-03-09T11:00Z", minutes=60)


def test_another_resource_gets_them_when_a_row_changes_hands(laser):
    other = make_resource(laser.chain)
    row = make_reservation(laser, span("2026-03-02T10:00Z"))
    Reservation.objects.filter(pk=row.pk).update(resource=other)
    assert busy_cells(laser) == set()
    assert busy_cells(other) == cells_of("2026-03-02T10:00Z", minutes=60)


def test_a_hold_is_not_in_it_until_it_is_booked(laser):
    hold = make_hold(laser, span("2026-03-02T10:00Z"), expires_at=NOW + timedelta(minutes=5))
    assert busy_cells(laser) == set()
    hold.status, hold.expires_at = ReservationStatus.BUSY, None
    hold.save()
    assert busy_cells(laser) == cells_of("2026-03-02T10:00Z", minutes=60)


def test_patients_are_not_in_it():
    patient = make_resource(make_chain(), ResourceKind.PATIENT)
    make_reservation(patient, span("2026-03-02T10:00Z"))
    assert not Occupancy.objects.exists()


def test_a_long_absence_takes_all_its_days(laser):
    make_reservation(
        laser,
        Span(instant("2026-03-02T10:00Z"), instant("2026-06-02T10:00Z")),
        reason=ReservationReason.SERVICE,
        status=ReservationStatus.BUSY_UNAVAILABLE,
    )
    assert busy_cells(laser) == cells_of("2026-03-02T10:00Z", minutes=92 * 24 * 60)


def test_a_booking_that_fails_leaves_nothing_behind(laser):
    with transaction.atomic():
        reserve(
            wanted=[Wanted(resource_id=laser.pk, span=span("2026-03-02T10:00Z"))],
            source="appointment:1",
            now=NOW,
        )
        assert busy_cells(laser)
        transaction.set_rollback(True)
    assert busy_cells(laser) == set()


def test_release_frees_all_of_a_source(laser):
    room = make_resource(laser.chain, ResourceKind.ROOM)
    wanted = [Wanted(resource_id=one.pk, span=span("2026-03-02T10:00Z")) for one in (laser, room)]
    command(reserve)(wanted=wanted, source="appointment:1", now=NOW)
    assert busy_cells(laser) == busy_cells(room) == cells_of("2026-03-02T10:00Z", minutes=60)
    command(release)(source="appointment:1")
    assert busy_cells(laser) == busy_cells(room) == set()


def test_raw_sql_is_followed_too(laser):
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO clinics_reservation"
            " (resource_id, period, status, reason, source, created_at)"
            " SELECT %s, tstzrange(hour, hour + interval '30 min'), 'busy', 'service', 'x:1', now()"
            " FROM generate_series('2026-03-02 00:00Z'::timestamptz, '2026-03-02 23:00Z',"
            " interval '1 hour') AS hour",
            [laser.pk],
        )
        hours = range(24)
        assert busy_cells(laser) == {
            cell for hour in hours for cell in cells_of(f"2026-03-02T{hour:02}:00Z", minutes=30)
        }
        cursor.execute("DELETE FROM clinics_reservation")
    assert busy_cells(laser) == set()


START = datetime(2026, 3, 2, tzinfo=UTC)
CHANGES = st.lists(
    st.tuples(
        st.sampled_from(["add", "drop", "move", "firm"]),
        st.integers(0, 1),
        st.integers(0, 3 * 24 * 60),
        st.integers(1, 26 * 60),
        st.booleans(),
    ),
    max_size=25,
)


@given(changes=CHANGES)
def test_whatever_is_written_the_bits_say_the_same(django_db_blocker, changes):
    """Adds, drops, moves and firmings at odd minutes, against plain arithmetic."""
    with transaction.atomic():
        chain = make_chain()
        resources = [make_resource(chain), make_resource(chain, ResourceKind.ROOM)]
        for number, (change, which, minute, length, tentative) in enumerate(changes):
            _apply(change, resources[which], minute, length, tentative, number)
        for resource in resources:
            assert busy_cells(resource) == plain_cells(resource)
        transaction.set_rollback(True)


def _apply(change, resource, minute, length, tentative, number):
    when = span(START + timedelta(minutes=minute), minutes=length)
    rows = Reservation.objects.filter(resource=resource).order_by("pk")
    free = not rows.overlapping(when).exists()
    row = rows[number % rows.count()] if rows.exists() else None
    if change == "add" and free:
        make = make_hold if tentative else make_reservation
        make(resource, when, **({"expires_at": START} if tentative else {}))
    elif change == "drop" and row:
        row.delete()
    elif change == "move" and row and free:
        Reservation.objects.filter(pk=row.pk).update(period=as_range(when))
    elif change == "firm":
        rows.filter(status=ReservationStatus.BUSY_TENTATIVE).update(
            status=ReservationStatus.BUSY, expires_at=None
        )
