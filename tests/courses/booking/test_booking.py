"""Holding, booking, moving and ending appointments."""

from datetime import timedelta

import pytest

from clinics.errors import NotAllowed
from clinics.models import Reservation
from clinics.vocabulary import Role
from core.errors import Stale
from core.vocabulary import ReservationStatus
from courses.errors import (
    AppointmentUnknown,
    CourseAlreadyBooked,
    CourseNotRunning,
    CourseUnknown,
    HoldExpired,
    SlotTaken,
    SlotUnfit,
    StatusStepRefused,
    UnalignedStart,
    VisitAnotherDay,
    VisitNotStarted,
)
from courses.models import Appointment, Course
from courses.services.booking import (
    Hold,
    appointment_arrive,
    appointment_book,
    appointment_cancel,
    appointment_confirm,
    appointment_move,
    appointment_no_show,
    holds_expire,
)
from courses.vocabulary import AppointmentStatus, CourseStatus
from tests.support.booking import (
    NOW,
    TOMORROW_TEN,
    Stage,
    make_running_course,
    make_stage,
)
from tests.support.factories import make_actor, make_reservation, span

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage() -> Stage:
    return make_stage()


def book(stage: Stage, **changes):
    return appointment_book(
        **{
            "course_id": stage.course.pk,
            "visit": stage.visit(),
            "actor": stage.desk,
            "now": NOW,
            **changes,
        }
    )


def reserved(appointment: Appointment) -> int:
    return Reservation.objects.filter(source=f"appointment:{appointment.pk}").count()


def test_books_every_resource_for_the_whole_visit(stage):
    appointment = book(stage)
    rows = Reservation.objects.filter(source=f"appointment:{appointment.pk}")
    assert {row.resource_id for row in rows} == {
        stage.room.resource_id,
        stage.operator.resource_id,
        stage.laser.resource_id,
        stage.handpiece.resource_id,
        stage.course.patient.resource_id,
    }
    assert {(row.period.lower, row.period.upper) for row in rows} == {
        (TOMORROW_TEN, TOMORROW_TEN + timedelta(minutes=30))
    }
    assert appointment.status == AppointmentStatus.BOOKED


def test_a_slot_taken_by_another_course_offers_alternatives_and_writes_nothing(stage):
    book(stage)
    other = make_running_course(stage.clinic)
    with pytest.raises(SlotTaken) as refused:
        book(stage, course_id=other.pk)
    assert Appointment.objects.count() == 1
    alternatives = refused.value.data["alternatives"]
    assert alternatives
    assert all(slot["start"] != TOMORROW_TEN.isoformat() for slot in alternatives)


def test_a_course_has_one_open_appointment(stage):
    book(stage)
    with pytest.raises(CourseAlreadyBooked):
        book(stage, visit=stage.visit(TOMORROW_TEN + timedelta(days=3)))


def test_only_a_running_course_is_booked(stage):
    Course.objects.filter(pk=stage.course.pk).update(status=CourseStatus.ON_HOLD)
    with pytest.raises(CourseNotRunning):
        book(stage)
    assert not Appointment.objects.exists()


def test_another_chain_s_course_is_not_there(stage):
    foreign = make_stage()
    with pytest.raises(CourseUnknown):
        book(stage, course_id=foreign.course.pk)
    with pytest.raises(AppointmentUnknown):
        appointment_cancel(
            appointment_id=book(foreign).pk, reason="mistake", actor=stage.desk, now=NOW
        )


def test_a_start_off_the_grid_is_malformed(stage):
    with pytest.raises(UnalignedStart):
        book(stage, visit=stage.visit(TOMORROW_TEN + timedelta(minutes=2)))


def test_nobody_is_booked_outside_opening_hours(stage):
    with pytest.raises(SlotUnfit) as refused:
        book(stage, visit=stage.visit(TOMORROW_TEN.replace(hour=7)))
    assert {reason["code"] for reason in refused.value.data["reasons"]} & {
        "clinic_closed",
        "operator_off_shift",
    }
    assert not Reservation.objects.exists()


def test_a_hold_counts_until_it_expires_and_blocks_nobody_after(stage):
    held = book(stage, hold=Hold(minutes=5))
    other = make_running_course(stage.clinic)
    with pytest.raises(SlotTaken):
        book(stage, course_id=other.pk, now=NOW + timedelta(minutes=4))
    taken = book(stage, course_id=other.pk, now=NOW + timedelta(minutes=5))
    assert taken.status == AppointmentStatus.BOOKED
    left = Reservation.objects.filter(source=f"appointment:{held.pk}")
    assert not left.counting_at(NOW + timedelta(minutes=5)).exists()
    with pytest.raises(HoldExpired):
        appointment_confirm(
            appointment_id=held.pk, actor=stage.desk, now=NOW + timedelta(minutes=6)
        )


def test_confirming_a_hold_makes_its_reservations_firm(stage):
    held = book(stage, hold=Hold(minutes=5))
    appointment_confirm(appointment_id=held.pk, actor=stage.desk, now=NOW + timedelta(minutes=1))
    rows = Reservation.objects.filter(source=f"appointment:{held.pk}")
    assert {row.status for row in rows} == {ReservationStatus.BUSY}
    assert rows.count() == 5


def test_the_sweep_cancels_expired_holds_only(stage):
    expired = book(stage, hold=Hold(minutes=5))
    assert holds_expire(now=NOW + timedelta(minutes=1)) == 0
    assert holds_expire(now=NOW + timedelta(minutes=5)) == 1
    expired.refresh_from_db()
    assert expired.status == AppointmentStatus.CANCELLED
    assert reserved(expired) == 0


def test_moving_frees_the_old_time_and_takes_the_new(stage):
    appointment = book(stage)
    later = TOMORROW_TEN + timedelta(minutes=10)
    appointment_move(
        appointment_id=appointment.pk, visit=stage.visit(later), actor=stage.desk, now=NOW
    )
    rows = Reservation.objects.filter(source=f"appointment:{appointment.pk}")
    assert {row.period.lower for row in rows} == {later}
    assert rows.count() == 5


def test_a_move_that_fails_leaves_the_booking_as_it_was(stage):
    appointment = book(stage)
    make_reservation(stage.room.resource, span(TOMORROW_TEN + timedelta(hours=2)))
    with pytest.raises(SlotTaken):
        appointment_move(
            appointment_id=appointment.pk,
            visit=stage.visit(TOMORROW_TEN + timedelta(hours=2)),
            actor=stage.desk,
            now=NOW,
        )
    appointment.refresh_from_db()
    assert appointment.starts_at == TOMORROW_TEN
    assert reserved(appointment) == 5


def test_a_stale_version_moves_nothing(stage):
    appointment = book(stage)
    with pytest.raises(Stale):
        appointment_cancel(
            appointment_id=appointment.pk,
            reason="asked to",
            actor=stage.desk,
            now=NOW,
            expected_version=appointment.version + 1,
        )


def test_cancelling_frees_everything_and_cannot_be_undone(stage):
    appointment = book(stage)
    appointment_cancel(appointment_id=appointment.pk, reason="asked to", actor=stage.desk, now=NOW)
    assert reserved(appointment) == 0
    with pytest.raises(StatusStepRefused):
        appointment_arrive(appointment_id=appointment.pk, actor=stage.desk, now=TOMORROW_TEN)


def test_an_appointment_ends_once(stage):
    appointment = book(stage)
    for reason in ("asked to", "again"):
        try:
            appointment_cancel(
                appointment_id=appointment.pk, reason=reason, actor=stage.desk, now=NOW
            )
        except StatusStepRefused:
            assert reason == "again"
    appointment.refresh_from_db()
    assert appointment.status_reason == "asked to"


def test_nobody_arrives_on_another_day_but_early_on_the_day_itself(stage):
    appointment = book(stage)
    with pytest.raises(VisitAnotherDay):
        appointment_arrive(appointment_id=appointment.pk, actor=stage.desk, now=NOW)
    arrived = appointment_arrive(
        appointment_id=appointment.pk, actor=stage.desk, now=TOMORROW_TEN - timedelta(hours=3)
    )
    assert arrived.status == AppointmentStatus.ARRIVED


def test_a_no_show_is_known_only_after_the_start(stage):
    appointment = book(stage)
    with pytest.raises(VisitNotStarted):
        appointment_no_show(appointment_id=appointment.pk, reason="", actor=stage.desk, now=NOW)
    shown = appointment_no_show(
        appointment_id=appointment.pk,
        reason="",
        actor=stage.desk,
        now=TOMORROW_TEN + timedelta(minutes=15),
    )
    assert shown.status == AppointmentStatus.NOSHOW


def test_a_role_at_another_clinic_does_not_book_here(stage):
    elsewhere = make_actor(Role.FRONT_DESK, clinic=make_stage().clinic)
    here = type(stage.desk)(
        user_id=elsewhere.user_id,
        staff_id=stage.desk.staff_id,
        staff_name="",
        chain_id=stage.chain.pk,
        grants=elsewhere.grants,
    )
    with pytest.raises(NotAllowed):
        book(stage, actor=here)
