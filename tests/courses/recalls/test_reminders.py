"""Reminders: of every booked visit that comes near, once for each time it is given."""

from datetime import timedelta

import pytest

from courses.channels import TemporaryTrouble
from courses.models import Appointment, Recall, RecallPlan
from courses.vocabulary import AppointmentStatus, CourseStatus
from tests.support.courses import NOW, make_appointment, make_contact_point, make_ward
from tests.support.factories import make_clinic, make_opening_week
from tests.support.recalls import open_due, send_due, statuses

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def ward():
    ward = make_ward(clinic=make_clinic(time_zone="Europe/Berlin", name="Harbour"))
    make_contact_point(ward.course.patient)
    return ward


def steps() -> list[tuple[str, str]]:
    return list(Recall.objects.order_by("due_at").values_list("step", "status"))


def test_also_of_a_first_visit_which_has_no_window(ward):
    visit = make_appointment(ward, NOW + 4 * DAY)
    open_due(NOW)
    assert steps() == [("three-days-before", "active"), ("one-day-before", "active")]
    recall = Recall.objects.order_by("due_at")[0]
    assert (recall.kind, recall.window, recall.appointment) == ("reminder", None, visit)
    # Ten in Berlin is nine in UTC.
    assert recall.due_at == (NOW + DAY).replace(hour=9)
    assert open_due(NOW)["planned"] == 0


def test_rows_stand_two_weeks_ahead(ward):
    make_appointment(ward, NOW + 30 * DAY)
    open_due(NOW)
    assert steps() == []
    open_due(NOW + 14 * DAY)
    assert steps() == [("three-days-before", "active")]


def test_booked_a_day_ahead_hears_once(ward, way):
    make_appointment(ward, NOW + DAY)
    open_due(NOW)
    assert steps() == [("one-day-before", "active")]
    send_due(NOW + timedelta(hours=2), way)
    assert len(way.sent) == 1


def test_booked_two_days_and_a_half_ahead_hears_at_once_and_the_day_before(ward, way):
    make_appointment(ward, NOW + timedelta(days=2, hours=12))
    open_due(NOW)
    assert steps() == [("three-days-before", "active"), ("one-day-before", "active")]
    send_due(NOW, way)
    assert len(way.sent) == 1


@pytest.mark.parametrize(
    "status", [AppointmentStatus.CANCELLED, AppointmentStatus.ARRIVED, AppointmentStatus.PROPOSED]
)
def test_only_of_what_is_booked(ward, status):
    make_appointment(ward, NOW + DAY, status=status, hold_expires_at=NOW + DAY)
    open_due(NOW)
    assert steps() == []


def test_not_of_a_course_on_hold(ward):
    make_appointment(ward, NOW + DAY)
    type(ward.course).objects.update(status=CourseStatus.ON_HOLD)
    open_due(NOW)
    assert steps() == []


LATER = NOW + timedelta(hours=2)
"""When the reminder one day before a visit at the hour of NOW is due."""


def test_says_when_in_the_clinics_time_and_nothing_medical(ward, way):
    make_appointment(ward, NOW + DAY)
    open_due(NOW)
    send_due(LATER, way)
    [(_, outgoing, text)] = way.sent
    assert outgoing.sender_name == "Harbour"
    # 08:00 UTC on 3 March.
    assert "Tuesday 3 March 2026 at 09:00" in text.body
    assert "Invented" in text.body
    assert not {"tattoo", "laser", "skin", "session", "treat", "heal"} & set(text.body.split())


def test_cancelled_before_it_left(ward, way):
    visit = make_appointment(ward, NOW + DAY)
    open_due(NOW)
    Appointment.objects.filter(pk=visit.pk).update(status=AppointmentStatus.CANCELLED)
    send_due(LATER, way)
    assert way.sent == []
    recall = Recall.objects.get()
    assert statuses([recall, *recall.messages.all()]) == [
        ("revoked", "appointment_ended"),
        ("not-done", "appointment_ended"),
    ]


@pytest.mark.parametrize("planned_between", [True, False])
def test_moved_before_it_left_speaks_of_the_new_time_only(ward, way, planned_between):
    visit = make_appointment(ward, NOW + DAY)
    open_due(NOW)
    Appointment.objects.filter(pk=visit.pk).update(
        starts_at=NOW + 20 * DAY, ends_at=NOW + 20 * DAY + timedelta(hours=1)
    )
    if planned_between:
        open_due(LATER)
    send_due(LATER, way)
    assert way.sent == []
    assert statuses(Recall.objects.all()) == [("revoked", "appointment_moved")]
    open_due(NOW + 10 * DAY)
    again = Recall.objects.order_by("due_at")[1]
    # 20 days on, less three, at ten in Berlin.
    assert again.due_at == (NOW + 17 * DAY).replace(hour=9)
    send_due(again.due_at, way)
    [(_, _, text)] = way.sent
    assert "Sunday 22 March 2026" in text.body


def test_moved_after_it_left_is_told_anew(ward, way):
    visit = make_appointment(ward, NOW + DAY)
    open_due(NOW)
    send_due(LATER, way)
    Appointment.objects.filter(pk=visit.pk).update(starts_at=NOW + DAY - timedelta(hours=1))
    open_due(LATER)
    send_due(LATER, way)
    assert len(way.sent) == 2
    assert len({key for key, _, _ in way.sent}) == 2


def test_a_visit_that_has_begun_needs_none(ward, way):
    visit = make_appointment(ward, NOW + DAY)
    open_due(NOW)
    send_due(visit.starts_at, way)
    assert way.sent == []
    assert statuses([Recall.objects.get()]) == [("revoked", "too_late")]


def test_quiet_hours_that_end_after_the_visit_leave_none(ward, way):
    point = ward.course.patient.contact_points.get()
    point.quiet_from, point.quiet_until = "09:00", "08:30"
    point.time_zone = "UTC"
    point.save()
    make_appointment(ward, NOW + DAY)
    open_due(NOW)
    # Due in hours that end half an hour after the visit has begun.
    assert statuses([Recall.objects.get()]) == [("revoked", "too_late")]
    send_due(LATER, way)
    assert way.sent == []


def test_the_last_two_days_are_told_on_closed_days_too(way):
    clinic = make_clinic(time_zone="Europe/Berlin")
    make_opening_week(clinic, weekdays=[1, 2, 3, 4, 5])
    ward = make_ward(clinic=clinic)
    make_contact_point(ward.course.patient)
    make_appointment(ward, NOW + 7 * DAY)  # a Monday
    open_due(NOW)
    [friday, sunday] = Recall.objects.order_by("due_at")
    assert (friday.due_at.isoweekday(), sunday.due_at.isoweekday()) == (5, 7)
    send_due(sunday.due_at, way)
    assert len(way.sent) == 1


class TestOneWayComesTooLateAndAnotherInTime:
    """Claimed in quiet hours that end after the visit has begun."""

    @pytest.fixture
    def visit(self, ward):
        make_contact_point(ward.course.patient, address="second@example.org", rank=2)
        visit = make_appointment(ward, NOW + DAY)
        open_due(NOW)
        self.quiet(ward, rank=1)
        return visit

    def quiet(self, ward, *, rank):
        """From now on, and what waits has been planned by the hours of before."""
        ward.course.patient.contact_points.filter(rank=rank).update(
            quiet_from="09:00", quiet_until="08:30", time_zone="UTC"
        )
        RecallPlan.objects.update(look_at=None)

    def test_the_other_is_tried(self, visit, way):
        send_due(LATER, way)
        assert way.addresses == ["second@example.org"]
        [recall] = Recall.objects.all()
        assert statuses([recall, *recall.messages.order_by("pk")]) == [
            ("completed", ""),
            ("not-done", "too_late"),
            ("completed", ""),
        ]

    def test_without_one_it_is_dropped(self, ward, visit, way):
        self.quiet(ward, rank=2)
        send_due(LATER, way)
        assert way.sent == []
        [recall] = Recall.objects.all()
        assert statuses([recall, *recall.messages.all()]) == [
            ("revoked", "too_late"),
            ("not-done", "too_late"),
        ]


def test_another_attempt_that_would_come_too_late_gives_way_to_another_contact_point(ward, way):
    other = make_contact_point(ward.course.patient, rank=2)
    visit = make_appointment(ward, NOW + DAY)
    open_due(NOW)
    way.troubles = [TemporaryTrouble("letter_deferred_452", retry_after=timedelta(hours=2))]
    send_due(visit.starts_at - timedelta(hours=1), way)
    assert way.addresses == [other.address]
