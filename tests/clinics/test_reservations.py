"""Resources are made busy all at once or not at all, and never twice for the same time."""

import pytest
from django.db import IntegrityError, connection, transaction

from clinics.errors import ResourceTaken, ResourceUnknown
from clinics.models import Reservation
from clinics.services.reservations import Wanted, release, reserve
from clinics.vocabulary import ReservationReason, ResourceKind
from core.db import command
from core.vocabulary import ReservationStatus
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
TEN = "2026-03-02T10:00Z"

reserving = command(reserve)
releasing = command(release)


@pytest.fixture
def chain():
    return make_chain()


def wanted(resource, when=TEN, minutes=60, **fields):
    return Wanted(resource_id=resource.pk, span=span(when, minutes=minutes), **fields)


def test_reserves_all_resources_in_one_insert(chain, django_assert_num_queries):
    laser, room = make_resource(chain), make_resource(chain, ResourceKind.ROOM)
    plan = [wanted(laser), wanted(room, minutes=90)]
    with transaction.atomic(), django_assert_num_queries(3) as seen:
        rows = reserve(wanted=plan, source="appointment:1", now=NOW)
    statements = [query["sql"] for query in seen.captured_queries]
    assert sum(sql.startswith("INSERT") for sql in statements) == 1
    assert "FOR NO KEY UPDATE" in statements[0]
    assert {row.resource_id for row in rows} == {laser.pk, room.pk}
    assert all(row.pk and row.source == "appointment:1" for row in rows)


def test_refuses_a_taken_resource_by_kind_and_writes_nothing(chain):
    laser, room = make_resource(chain), make_resource(chain, ResourceKind.ROOM)
    make_reservation(room, span("2026-03-02T10:30Z"), source="appointment:7")
    with pytest.raises(ResourceTaken) as refusal:
        reserving(wanted=[wanted(laser), wanted(room)], source="appointment:8", now=NOW)
    assert refusal.value.data == {"kinds": ["room"], "resources": [room.pk]}
    assert not Reservation.objects.filter(source="appointment:8").exists()


def test_spans_that_only_touch_do_not_meet(chain):
    laser = make_resource(chain)
    make_reservation(laser, span("2026-03-02T09:00Z"))
    make_reservation(laser, span("2026-03-02T11:00Z"))
    assert reserving(wanted=[wanted(laser)], source="appointment:1", now=NOW)


def test_one_resource_may_be_wanted_for_several_spans(chain):
    laser = make_resource(chain)
    make_reservation(laser, span("2026-03-02T10:20Z", minutes=10))
    plan = [wanted(laser, minutes=20), wanted(laser, "2026-03-02T10:30Z", minutes=10)]
    assert len(reserving(wanted=plan, source="appointment:1", now=NOW)) == 2


def test_two_wishes_that_meet_each_other_are_refused(chain):
    laser = make_resource(chain)
    with pytest.raises(ResourceTaken):
        reserving(wanted=[wanted(laser), wanted(laser)], source="appointment:1", now=NOW)
    assert not Reservation.objects.exists()


def test_an_expired_hold_gives_way_and_is_gone(chain):
    laser = make_resource(chain)
    hold = make_hold(laser, span(TEN), expires_at=NOW)
    reserving(wanted=[wanted(laser)], source="appointment:1", now=NOW)
    assert not Reservation.objects.filter(pk=hold.pk).exists()


def test_a_running_hold_keeps_others_out(chain):
    laser = make_resource(chain)
    make_hold(laser, span(TEN), expires_at=instant("2026-03-02T08:00:01Z"))
    with pytest.raises(ResourceTaken):
        reserving(wanted=[wanted(laser)], source="appointment:1", now=NOW)


def test_reserves_a_hold_of_its_own(chain):
    laser = make_resource(chain)
    plan = wanted(
        laser,
        reason=ReservationReason.HOLD,
        status=ReservationStatus.BUSY_TENTATIVE,
        expires_at=instant("2026-03-02T08:15Z"),
    )
    (row,) = reserving(wanted=[plan], source="appointment:1", now=NOW)
    assert row.status == "busy-tentative"


def test_refuses_a_resource_that_is_not_there(chain):
    with pytest.raises(ResourceUnknown) as refusal:
        reserving(
            wanted=[Wanted(resource_id=10**9, span=span(TEN))], source="appointment:1", now=NOW
        )
    assert refusal.value.data == {"resources": [10**9]}


def test_reserving_nothing_is_nothing(chain):
    assert reserving(wanted=[], source="appointment:1", now=NOW) == []


@pytest.mark.django_db(transaction=True)
def test_needs_an_open_transaction(chain):
    with pytest.raises(RuntimeError):
        reserve(wanted=[wanted(make_resource(chain))], source="appointment:1", now=NOW)


def test_release_frees_only_its_own_and_may_be_repeated(chain):
    laser = make_resource(chain)
    make_reservation(laser, span(TEN), source="appointment:1")
    other = make_reservation(laser, span("2026-03-02T12:00Z"), source="appointment:11")
    assert releasing(source="appointment:1") == 1
    assert releasing(source="appointment:1") == 0
    assert list(Reservation.objects.all()) == [other]


INSERT = """
    INSERT INTO clinics_reservation (resource_id, period, status, reason, source, created_at)
    VALUES (%s, %s, 'busy', 'appointment', 'raw:1', now())
"""


def test_the_database_itself_refuses_a_double_booking(chain):
    laser = make_resource(chain)
    with connection.cursor() as cursor:
        cursor.execute(INSERT, [laser.pk, "[2026-03-02 10:00+00,2026-03-02 11:00+00)"])
        cursor.execute(INSERT, [laser.pk, "[2026-03-02 11:00+00,2026-03-02 12:00+00)"])
    again = "[2026-03-02 10:59+00,2026-03-02 11:01+00)"
    refused = pytest.raises(IntegrityError, match="reservation_no_overlap")
    with refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(INSERT, [laser.pk, again])
    assert Reservation.objects.count() == 2


@pytest.mark.parametrize(
    ("period", "constraint"),
    [
        ("empty", "reservation_period_bounded"),
        ("[2026-03-02 10:00+00,)", "reservation_period_bounded"),
        ("(,2026-03-02 10:00+00)", "reservation_period_bounded"),
    ],
)
def test_the_database_refuses_a_period_without_both_ends(chain, period, constraint):
    laser = make_resource(chain)
    with pytest.raises(IntegrityError, match=constraint), connection.cursor() as cursor:
        cursor.execute(INSERT, [laser.pk, period])
