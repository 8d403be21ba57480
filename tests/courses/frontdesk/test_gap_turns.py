"""How the offer of a gap goes from one to the next."""

import re
from datetime import timedelta

import pytest
from django.db import connection

from clinics.models import Reservation
from core.spans import Span
from core.transitions import allows, pairs
from courses.models import Appointment
from courses.selectors.slots import SearchOrder
from courses.services.booking import (
    Hold,
    SeriesOrder,
    appointment_book,
    appointment_cancel,
    appointment_confirm,
    series_book,
)
from courses.services.gaps import gaps_advance
from courses.tasks import advance_gap_offers
from courses.transitions import GAP, GAP_OFFER, WAITING_LIST
from courses.vocabulary import AppointmentStatus, GapStatus, WaitingStatus
from tests.support.api import assert_problem
from tests.support.booking import (
    NOW,
    TOMORROW_TEN,
)
from tests.support.frontdesk import wait, wait_overdue
from tests.support.gaps import HOUR, fitting, respond, start, turns

pytestmark = pytest.mark.django_db


def test_the_first_is_held_the_slot_and_the_rest_wait_their_turn(stage):
    entries = [wait_overdue(stage, days) for days in (30, 20, 10)]
    gap = start(stage)
    assert turns(gap) == ["offered", "queued", "queued"]
    offer = gap.offers.get(position=1)
    assert offer.entry == entries[0]
    assert offer.expires_at == NOW + timedelta(minutes=30)
    assert offer.appointment.status == AppointmentStatus.PROPOSED
    assert Reservation.objects.filter(status="busy-tentative").count() == 5


def test_silence_passes_it_on_until_nobody_is_left(stage):
    for days in (30, 20):
        wait_overdue(stage, days)
    gap = start(stage)
    assert gaps_advance(now=NOW + timedelta(minutes=29)) == 0
    assert gaps_advance(now=NOW + timedelta(minutes=30)) == 1
    assert turns(gap) == ["expired", "offered"]
    assert gaps_advance(now=NOW + timedelta(minutes=60)) == 1
    gap.refresh_from_db()
    assert turns(gap) == ["expired", "expired"]
    assert gap.status == GapStatus.EXHAUSTED
    assert not Reservation.objects.exists()


def test_a_no_passes_it_on_at_once(stage, desk):
    for days in (30, 20):
        wait_overdue(stage, days)
    gap = start(stage)
    answer = respond(desk, gap, 1, "decline", {"reason": "cannot come"})
    assert answer.json()["status"] == "declined"
    assert turns(gap) == ["declined", "offered"]
    assert Appointment.objects.filter(status=AppointmentStatus.PROPOSED).count() == 1
    entry = gap.offers.get(position=1).entry
    assert entry.status == WaitingStatus.WAITLIST


def test_a_yes_books_it_and_the_others_are_not_asked(stage, desk):
    entries = [wait_overdue(stage, days) for days in (30, 20)]
    gap = start(stage)
    answer = respond(desk, gap, 1, "accept")
    assert answer.status_code == 200, answer.json()
    booked = Appointment.objects.get(pk=answer.json()["appointment"])
    assert booked.status == AppointmentStatus.BOOKED
    assert booked.course == entries[0].course
    assert HOUR.contains(Span(booked.starts_at, booked.ends_at))
    gap.refresh_from_db()
    entries[0].refresh_from_db()
    assert gap.status == GapStatus.FILLED
    assert turns(gap) == ["accepted", "withdrawn"]
    assert entries[0].status == WaitingStatus.BOOKED
    assert Reservation.objects.filter(status="busy").count() == 5


def test_a_yes_moves_the_later_visit_with_its_place_in_the_series(stage, desk):
    search = SearchOrder(
        span=Span(NOW + timedelta(days=20), NOW + timedelta(days=30)),
    )
    series = series_book(
        course_id=stage.course.pk,
        order=SeriesOrder(sessions=2, search=search),
        actor=stage.desk,
        now=NOW,
    )
    first = series.appointments.get(position=1)
    wait(stage, stage.course)
    gap = start(stage)
    offer = gap.offers.get(position=1)
    assert offer.replaces == first
    answer = respond(desk, gap, 1, "accept")
    assert answer.status_code == 200, answer.json()
    assert answer.json()["appointment"] == first.pk
    first.refresh_from_db()
    assert first.starts_at == offer.appointment.starts_at
    assert (first.position, first.status) == (1, AppointmentStatus.BOOKED)
    assert Reservation.objects.count() == 10
    assert Appointment.objects.filter(status=AppointmentStatus.CANCELLED).count() == 1


def test_a_yes_after_the_later_visit_was_cancelled_books_the_hold(stage, desk):
    booked = appointment_book(
        course_id=stage.course.pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(days=20)),
        actor=stage.desk,
        now=NOW,
    )
    wait(stage, stage.course)
    gap = start(stage)
    appointment_cancel(appointment_id=booked.pk, reason="", actor=stage.desk, now=NOW)
    answer = respond(desk, gap, 1, "accept").json()
    hold = gap.offers.get(position=1).appointment
    assert answer["appointment"] == hold.pk
    assert hold.status == AppointmentStatus.BOOKED


def test_a_yes_that_comes_too_late_is_refused(stage, desk, time_machine):
    wait_overdue(stage, 5)
    gap = start(stage, minutes=10)
    time_machine.move_to(NOW + timedelta(minutes=10), tick=False)
    assert_problem(respond(desk, gap, 1, "accept"), 409, "hold_expired")
    assert turns(gap) == ["offered"]


def test_an_offer_is_answered_once(stage, desk):
    wait_overdue(stage, 5)
    gap = start(stage)
    respond(desk, gap, 1, "accept")
    for answer in ("accept", "decline"):
        assert_problem(respond(desk, gap, 1, answer), 422, "status_step_refused")
    assert Appointment.objects.count() == 1


def test_who_no_longer_fits_is_passed_over(stage, desk):
    for days in (30, 20, 10):
        wait_overdue(stage, days)
    gap = start(stage)
    second = gap.offers.get(position=2).entry
    appointment_book(
        course_id=second.course_id,
        visit=stage.visit(TOMORROW_TEN + timedelta(hours=3)),
        actor=stage.desk,
        now=NOW,
    )
    respond(desk, gap, 1, "decline")
    assert turns(gap) == ["declined", "passed_over", "offered"]


def test_a_hold_that_the_desk_confirmed_counts_as_a_yes(stage):
    wait_overdue(stage, 30)
    wait_overdue(stage, 20)
    gap = start(stage)
    offer = gap.offers.get(position=1)
    appointment_confirm(appointment_id=offer.appointment_id, actor=stage.desk, now=NOW)
    gaps_advance(now=NOW + timedelta(minutes=30))
    gap.refresh_from_db()
    assert gap.status == GapStatus.FILLED
    assert turns(gap) == ["accepted", "withdrawn"]


def test_offers_do_not_use_up_the_caller_s_holds(stage):
    stage.chain.holds_per_caller = 1
    stage.chain.save()
    wait_overdue(stage, 30)
    start(stage)
    held = appointment_book(
        course_id=stage.course.pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(hours=2)),
        actor=stage.desk,
        now=NOW,
        hold=Hold(minutes=5),
    )
    assert held.status == AppointmentStatus.PROPOSED


def test_one_patient_has_one_offer_at_a_time(stage):
    wait_overdue(stage, 30)
    start(stage)
    assert (
        fitting(stage, Span(HOUR.start + timedelta(hours=2), HOUR.end + timedelta(hours=2))) == []
    )


def test_a_withdrawn_gap_frees_what_was_held(stage, desk):
    for days in (30, 20):
        wait_overdue(stage, days)
    gap = start(stage)
    path = f"/gaps/{gap.pk}"
    answer = desk.client.post(f"/api/v1{path}/withdraw", headers={"If-Match": desk.etag(path)})
    assert answer.status_code == 200, answer.json()
    assert answer.json()["status"] == "withdrawn"
    assert turns(gap) == ["withdrawn", "withdrawn"]
    assert not Reservation.objects.exists()


def test_the_beat_s_task_gives_the_next_in_turn_theirs(stage, time_machine):
    for days in (30, 20):
        wait_overdue(stage, days)
    gap = start(stage)
    time_machine.move_to(NOW + timedelta(minutes=30), tick=False)
    advance_gap_offers()
    advance_gap_offers()
    assert turns(gap) == ["expired", "offered"]


@pytest.mark.parametrize(
    ("steps", "table", "wrong"),
    [
        (WAITING_LIST, "courses_waitinglistentry", ("booked", "waitlist")),
        (GAP, "courses_gap", ("filled", "offering")),
        (GAP_OFFER, "courses_gapoffer", ("expired", "offered")),
    ],
)
def test_the_database_keeps_the_steps_of_the_table(steps, table, wrong):
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE tgname = %s",
            [f"{table}_status_step"],
        )
        [(definition,)] = cursor.fetchall()
    assert sorted(re.findall(r"'([a-z_>-]+)'", definition)) == pairs(steps)
    assert not allows(steps, old=wrong[0], new=wrong[1])
