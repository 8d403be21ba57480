"""The steps of a course, one after the other, and what takes them back."""

from datetime import timedelta

import pytest
import time_machine

from clinics.models import Closure
from clinics.vocabulary import Role
from core.db import as_range
from courses.models import Appointment, Message, Patient, Recall, RecallPlan
from courses.services.recalls.desk import recall_withdraw
from courses.vocabulary import AppointmentStatus, CourseStatus
from tests.support.courses import make_appointment, make_contact_point, make_ward, say
from tests.support.factories import make_actor, make_clinic, make_opening_week, span
from tests.support.recalls import TREATED_AT, Scene, make_scene, open_due, send_due, statuses

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
WEEK = timedelta(weeks=1)
TEN = timedelta(hours=10)


def at(when):
    return time_machine.travel(when, tick=False)


def tick(now, way) -> None:
    with at(now):
        open_due(now)
        send_due(now, way)


@pytest.fixture
def invited(scene, way) -> Scene:
    """Invited on the closing day; the rows' own time stamps say so too."""
    tick(scene.noon, way)
    return scene


def test_from_two_weeks_before_to_the_front_desks_list(scene, way):
    make_contact_point(scene.patient, channel="phone", address="+4915112345678", rank=2)
    for day in range(60):
        tick(TREATED_AT + (day + 20) * DAY, way)
    assert (
        scene.steps
        == [
            ("before-closing", "completed"),
            ("window-closed", "completed"),
            ("two-weeks-after", "completed"),
            ("six-weeks-after", "active"),
            ("call-list", "active"),
        ][: len(scene.steps)]
    )
    for day in range(60, 100):
        tick(TREATED_AT + (day + 20) * DAY, way)
    assert [step for step, _ in scene.steps] == [
        "before-closing",
        "window-closed",
        "two-weeks-after",
        "six-weeks-after",
        "call-list",
    ]
    assert len(way.sent) == 4
    due = [row.due_at - scene.closes_at for row in Recall.objects.order_by("due_at")]
    assert due == [day * DAY + TEN for day in (-14, 0, 14, 42, 56)]
    call = Message.objects.get(channel="phone")
    assert statuses([call, call.recall]) == [("on-hold", "to_call"), ("active", "")]


def test_the_window_may_still_be_open_for_what_is_said_ahead(scene, way):
    tick(scene.closes_at - 14 * DAY + TEN, way)
    [(_, _, text)] = way.sent
    assert "from Monday 23 February 2026" in text.body


def test_whoever_booked_hears_no_more(invited, way):
    make_appointment(invited.ward, invited.noon + 60 * DAY)
    tick(invited.noon + 15 * DAY, way)
    assert len(way.sent) == 1
    assert ("two-weeks-after", "revoked") in invited.steps


def test_a_booking_that_is_taken_back_the_same_day_leaves_all_as_it_was(scene):
    open_due(scene.closes_at)
    before = scene.steps
    visit = make_appointment(scene.ward, scene.closes_at + 30 * DAY)
    open_due(scene.closes_at)
    assert statuses(Recall.objects.filter(kind="invitation")) == [("revoked", "booked")]
    Appointment.objects.filter(pk=visit.pk).update(status="entered-in-error")
    open_due(scene.closes_at)
    assert scene.steps == before
    assert statuses(Message.objects.all()) == [("preparation", "")]


@pytest.mark.parametrize("status", [AppointmentStatus.CANCELLED, AppointmentStatus.NOSHOW])
def test_a_visit_that_fell_through_starts_anew_the_day_after(invited, way, status):
    fell_at = invited.noon + 5 * DAY
    visit = make_appointment(invited.ward, fell_at)
    with at(fell_at + timedelta(minutes=30)):
        open_due(fell_at + timedelta(minutes=30))
        visit = Appointment.objects.get(pk=visit.pk)
        visit.status = status
        visit.save()
    tick(fell_at + timedelta(hours=1), way)
    assert len(way.sent) == 1
    tick(fell_at + DAY, way)
    assert len(way.sent) == 2
    again = Recall.objects.get(occasion__endswith=f":after:{visit.pk}", step="window-closed")
    assert (again.status, again.due_at) == ("completed", invited.closes_at + 6 * DAY + TEN)


def test_a_hold_that_ran_out_starts_nothing(invited, way):
    held = make_appointment(
        invited.ward,
        invited.noon + 9 * DAY,
        status=AppointmentStatus.PROPOSED,
        hold_expires_at=invited.noon + timedelta(minutes=20),
    )
    Appointment.objects.filter(pk=held.pk).update(status=AppointmentStatus.CANCELLED)
    tick(invited.noon + 2 * DAY, way)
    assert len(way.sent) == 1
    assert not Recall.objects.filter(occasion__contains=":after:").exists()


def test_a_course_taken_up_again(scene, way):
    type(scene.course).objects.update(status=CourseStatus.ON_HOLD)
    open_due(scene.closes_at)
    assert scene.steps == []
    type(scene.course).objects.update(status=CourseStatus.ACTIVE)
    open_due(scene.noon + 3 * DAY)
    assert scene.steps[0] == ("window-closed", "active")
    send_due(scene.noon + 3 * DAY, way)
    assert len(way.sent) == 1


def test_a_person_who_withdrew_it_had_a_reason(scene):
    open_due(scene.noon)
    recall_withdraw(
        recall_id=scene.recall.pk,
        reason="will call us in autumn",
        actor=make_actor(Role.FRONT_DESK, chain=scene.ward.chain),
        now=scene.noon,
    )
    for days in (1, 15, 43, 57):
        open_due(scene.noon + days * DAY)
    assert {status for _, status in scene.steps} == {"revoked"}
    assert {row.status_reason for row in Recall.objects.all()} == {"will call us in autumn"}


def test_after_an_outage_only_the_newest_step_leaves(scene, way):
    open_due(scene.closes_at - 15 * DAY)
    now = scene.closes_at + 20 * DAY
    send_due(now, way)
    open_due(now)
    send_due(now, way)
    assert len(way.sent) == 1
    assert [step for step, status in scene.steps if status == "completed"] == ["two-weeks-after"]


@pytest.mark.parametrize(
    ("changes", "reason"),
    [({"deceased": True}, "deceased"), ({"gold_therapy_ever": True}, "skin_not_ready")],
)
def test_not_to_the_dead_nor_to_skin_that_is_never_treated(scene, changes, reason):
    open_due(scene.closes_at)
    Patient.objects.update(**changes)
    open_due(scene.closes_at)
    assert statuses([scene.recall, scene.message]) == [("revoked", reason), ("not-done", reason)]


def test_not_of_long_ago(scene):
    type(scene.course).objects.update(status=CourseStatus.ON_HOLD)
    open_due(scene.closes_at)
    type(scene.course).objects.update(status=CourseStatus.ACTIVE)
    open_due(scene.noon + 91 * DAY)
    assert not Recall.objects.exists()
    assert RecallPlan.objects.get(course=scene.course).look_at is None


def test_nothing_for_somebody_who_was_never_treated():
    make_contact_point(make_ward().course.patient)
    open_due(TREATED_AT)
    assert not Recall.objects.exists()


class TestCheckIn:
    def test_three_days_after_a_session(self, scene, way):
        now = TREATED_AT + 3 * DAY
        tick(now - timedelta(minutes=1), way)
        assert way.sent == []
        tick(now, way)
        [(_, _, text)] = way.sent
        assert "well after your visit" in text.body
        assert scene.steps[0] == ("check-in", "completed")

    def test_not_much_later(self, scene, way):
        tick(TREATED_AT + 7 * DAY, way)
        assert way.sent == []

    def test_not_of_a_session_entered_in_error(self, scene, way):
        open_due(TREATED_AT)
        type(scene.window.session).objects.update(status="entered-in-error")
        tick(TREATED_AT + 3 * DAY, way)
        assert way.sent == []
        assert scene.steps[0] == ("check-in", "revoked")


class TestClosedDays:
    @pytest.fixture
    def weekdays(self):
        clinic = make_clinic()
        make_opening_week(clinic, weekdays=[1, 2, 3, 4, 5])
        return clinic

    def test_an_invitation_waits_for_the_next_open_day(self, weekdays):
        # Treated on a Saturday, 42 days before another one.
        scene = make_scene(make_ward(clinic=weekdays), treated_at=TREATED_AT + 5 * DAY)
        open_due(scene.closes_at)
        assert scene.closes_at.isoweekday() == 6
        recall = Recall.objects.get(step="window-closed")
        assert recall.due_at == scene.closes_at + 2 * DAY + TEN

    def test_a_day_closed_since_it_was_planned_is_waited_out(self, weekdays, way):
        scene = make_scene(make_ward(clinic=weekdays))
        open_due(scene.closes_at)
        Closure.objects.create(
            clinic=weekdays, period=as_range(span(scene.closes_at, minutes=24 * 60)), reason="x"
        )
        send_due(scene.noon, way)
        assert way.sent == []
        assert statuses([scene.message]) == [("preparation", "closed_day")]
        assert scene.message.due_at == scene.closes_at + DAY + TEN


class TestConsentFollows:
    def test_an_opt_out_moves_what_is_planned_to_the_next_way(self, scene):
        other = make_contact_point(scene.patient, channel="sms", address="+4915112345678", rank=2)
        open_due(scene.closes_at)
        say(scene.point, "withdrawn", "recall", at=scene.closes_at)
        open_due(scene.closes_at)
        live = Message.objects.filter(status="preparation")
        assert {one.contact_point for one in live} == {other}
        say(scene.point, "given", "recall", at=scene.noon)
        open_due(scene.closes_at)
        assert {one.contact_point for one in live.all()} == {scene.point}

    def test_a_better_way_is_taken_until_it_has_left(self, scene):
        open_due(scene.closes_at)
        better = make_contact_point(scene.patient, rank=0)
        open_due(scene.closes_at)
        assert Message.objects.get(status="preparation").contact_point == better

    def test_without_any_the_desk_sees_it(self, scene):
        open_due(scene.closes_at)
        say(scene.point, "withdrawn", at=scene.closes_at)
        open_due(scene.closes_at)
        assert statuses([scene.recall]) == [("on-hold", "no_contact_point")]
