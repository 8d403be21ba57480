"""Holds: how many one caller keeps, and that one whose time is over is free at once."""

from datetime import timedelta

import pytest

from clinics.models import Reservation
from clinics.vocabulary import Role
from courses.errors import HoldExpired, HoldQuotaReached
from courses.models import Appointment
from courses.services.booking import (
    Hold,
    appointment_book,
    appointment_cancel,
    appointment_confirm,
    appointment_move,
)
from courses.vocabulary import AppointmentStatus
from tests.support.api import assert_problem, sign_in
from tests.support.booking import NOW, TOMORROW_TEN, make_running_course
from tests.support.factories import make_actor
from tests.support.threads import at_once

pytestmark = pytest.mark.django_db


def hold(stage, *, number=0, actor=None, now=NOW, minutes=10):
    return appointment_book(
        course_id=make_running_course(stage.clinic).pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(minutes=30 * number)),
        actor=actor or stage.desk,
        now=now,
        hold=Hold(minutes=minutes),
    )


def quota(stage, limit):
    stage.chain.holds_per_caller = limit
    stage.chain.save()


def test_a_caller_holds_as_many_slots_as_the_chain_allows(stage):
    quota(stage, 2)
    first = hold(stage, number=0, minutes=5)
    hold(stage, number=1)
    with pytest.raises(HoldQuotaReached) as refused:
        hold(stage, number=2)
    assert refused.value.data == {
        "limit": 2,
        "live": 2,
        "next_expires_at": first.hold_expires_at.isoformat(),
    }
    assert Appointment.objects.count() == 2
    assert Reservation.objects.count() == 10


@pytest.mark.parametrize("way", ["expired", "booked", "cancelled"])
def test_a_hold_that_is_over_makes_room_for_another(stage, way):
    quota(stage, 1)
    held = hold(stage, minutes=5)
    now = NOW + timedelta(minutes=5 if way == "expired" else 1)
    if way == "booked":
        appointment_confirm(appointment_id=held.pk, actor=stage.desk, now=now)
    if way == "cancelled":
        appointment_cancel(appointment_id=held.pk, reason="", actor=stage.desk, now=now)
    assert hold(stage, number=1, now=now).status == AppointmentStatus.PROPOSED


def test_the_quota_is_each_caller_s_own_and_bookings_do_not_count(stage):
    quota(stage, 1)
    hold(stage)
    hold(stage, number=1, actor=make_actor(Role.INTEGRATOR, clinic=stage.clinic))
    booked = appointment_book(
        course_id=stage.course.pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(hours=2)),
        actor=stage.desk,
        now=NOW,
    )
    assert booked.status == AppointmentStatus.BOOKED


def test_an_expired_hold_is_neither_moved_nor_confirmed(stage):
    held = hold(stage, minutes=5)
    late = NOW + timedelta(minutes=5)
    with pytest.raises(HoldExpired):
        appointment_confirm(appointment_id=held.pk, actor=stage.desk, now=late)
    with pytest.raises(HoldExpired):
        appointment_move(
            appointment_id=held.pk,
            visit=stage.visit(TOMORROW_TEN + timedelta(hours=3)),
            actor=stage.desk,
            now=late,
        )


def test_the_list_shows_what_is_held_now(stage, desk):
    held = hold(stage, minutes=5)
    hold(stage, number=1, minutes=1, now=NOW - timedelta(minutes=1))
    booked = hold(stage, number=2)
    appointment_confirm(appointment_id=booked.pk, actor=stage.desk, now=NOW)
    assert [row["id"] for row in desk.get("/appointments", held="true").json()["items"]] == [
        held.pk
    ]
    assert len(desk.get("/appointments", held="false").json()["items"]) == 2
    mine = {"held": "true", "booked_by": stage.desk.staff_id}
    assert len(desk.get("/appointments", **mine).json()["items"]) == 1
    assert desk.get("/appointments", held="true", booked_by=desk.staff.pk).json()["items"] == []


def test_the_api_says_what_is_held_and_when_one_gets_free(stage, desk):
    quota(stage, 1)
    body = {
        "course": stage.course.pk,
        "clinic": stage.clinic.pk,
        "room": stage.room.pk,
        "operator": stage.operator.pk,
        "laser": stage.laser.pk,
        "handpieces": [stage.handpiece.pk],
        "wavelengths_nm": [1064],
        "minutes": 30,
        "start": TOMORROW_TEN.isoformat(),
        "hold_minutes": 10,
    }
    assert desk.post("/appointments", body, key="a").status_code == 201
    other = {**body, "course": make_running_course(stage.clinic).pk}
    other["start"] = (TOMORROW_TEN + timedelta(hours=1)).isoformat()
    problem = assert_problem(desk.post("/appointments", other, key="b"), 409, "hold_quota_reached")
    assert problem["limit"] == 1
    assert problem["next_expires_at"].startswith("2026-03-02T08:10")


def test_the_quota_is_the_manager_s_to_set(stage, desk):
    manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
    changed = manager.patch("/chain", {"holds_per_caller": 9}, version=manager.etag("/chain"))
    assert changed.json()["holds_per_caller"] == 9
    assert_problem(
        manager.patch("/chain", {"holds_per_caller": 0}, version=manager.etag("/chain")), 400
    )
    assert_problem(desk.patch("/chain", {"holds_per_caller": 9}, version=desk.etag("/chain")), 403)


@pytest.mark.django_db(transaction=True)
@pytest.mark.slow
class TestAtOnce:
    def test_holds_at_once_do_not_pass_the_quota(self, stage):
        quota(stage, 2)
        tasks = [lambda number=number: hold(stage, number=number) for number in range(6)]
        outcomes = at_once(*tasks)
        assert sum(isinstance(one, Appointment) for one in outcomes) == 2
        assert outcomes.count("hold_quota_reached") == 4

    def test_at_the_instant_of_expiry_one_other_gets_the_slot_and_nobody_confirms(self, stage):
        late = NOW + timedelta(minutes=5)
        for day in range(4):
            number = 48 * day
            held = hold(stage, number=number, minutes=5)
            visit = stage.visit(TOMORROW_TEN + timedelta(minutes=30 * number))
            courses = [make_running_course(stage.clinic) for _ in range(3)]

            def book(course, visit=visit):
                return appointment_book(
                    course_id=course.pk, visit=visit, actor=stage.desk, now=late
                )

            def confirm(held=held):
                return appointment_confirm(appointment_id=held.pk, actor=stage.desk, now=late)

            outcomes = at_once(
                confirm, *(lambda course=course, book=book: book(course) for course in courses)
            )
            assert outcomes[0] == "hold_expired"
            assert sum(isinstance(one, Appointment) for one in outcomes) == 1
            assert outcomes.count("slot_taken") == 2

    def test_a_moment_before_expiry_it_is_confirmed_and_nobody_else_gets_it(self, stage):
        held = hold(stage, minutes=5)
        just_before = NOW + timedelta(minutes=5, microseconds=-1)
        other = make_running_course(stage.clinic)

        def confirm():
            return appointment_confirm(appointment_id=held.pk, actor=stage.desk, now=just_before)

        def book():
            return appointment_book(
                course_id=other.pk, visit=stage.visit(), actor=stage.desk, now=just_before
            )

        confirmed, refused = at_once(confirm, book)
        assert confirmed.status == AppointmentStatus.BOOKED
        assert refused == "slot_taken"
