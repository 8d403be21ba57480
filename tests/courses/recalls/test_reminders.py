"""Reminders: of every booked visit that comes near, once for each time it is given."""

from datetime import timedelta

import pytest

from courses.models import Appointment, Recall
from courses.selectors.recalls.candidates import OCCASION
from courses.selectors.recalls.readiness import appointment_occasion
from courses.vocabulary import AppointmentStatus, CourseStatus
from tests.support.courses import NOW, make_appointment, make_contact_point, make_ward
from tests.support.factories import make_clinic
from tests.support.recalls import open_due, send_due, statuses

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def ward():
    ward = make_ward(clinic=make_clinic(time_zone="Europe/Berlin", name="Harbour"))
    make_contact_point(ward.course.patient)
    return ward


def test_also_of_a_first_visit_which_has_no_window(ward):
    visit = make_appointment(ward, NOW + 3 * DAY)
    assert open_due(NOW)["reminders"] == 1
    recall = Recall.objects.get()
    assert (recall.kind, recall.window, recall.appointment) == ("reminder", None, visit)
    assert open_due(NOW)["reminders"] == 0


def test_not_long_before(ward):
    make_appointment(ward, NOW + 10 * DAY)
    assert open_due(NOW)["reminders"] == 0
    assert open_due(NOW + 7 * DAY)["reminders"] == 1


@pytest.mark.parametrize(
    "status", [AppointmentStatus.CANCELLED, AppointmentStatus.ARRIVED, AppointmentStatus.PROPOSED]
)
def test_only_of_what_is_booked(ward, status):
    make_appointment(ward, NOW + DAY, status=status, hold_expires_at=NOW + DAY)
    assert open_due(NOW)["reminders"] == 0


def test_not_of_a_course_on_hold(ward):
    make_appointment(ward, NOW + DAY)
    type(ward.course).objects.update(status=CourseStatus.ON_HOLD)
    assert open_due(NOW)["reminders"] == 0


def test_says_when_in_the_clinics_time_and_nothing_medical(ward, way):
    make_appointment(ward, NOW + DAY)
    open_due(NOW)
    send_due(NOW, way)
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
    send_due(NOW, way)
    assert way.sent == []
    recall = Recall.objects.get()
    assert statuses([recall, *recall.messages.all()]) == [
        ("revoked", "appointment_ended"),
        ("not-done", "appointment_ended"),
    ]


def test_moved_before_it_left_speaks_of_the_new_time_only(ward, way):
    visit = make_appointment(ward, NOW + DAY)
    open_due(NOW)
    Appointment.objects.filter(pk=visit.pk).update(
        starts_at=NOW + 20 * DAY, ends_at=NOW + 20 * DAY + timedelta(hours=1)
    )
    send_due(NOW, way)
    assert way.sent == []
    moved, again = Recall.objects.order_by("pk")
    assert statuses([moved]) == [("revoked", "appointment_moved")]
    assert again.status == "active"
    # 20 days on, less three, at ten in Berlin.
    assert again.due_at == (NOW + 17 * DAY).replace(hour=9)
    send_due(again.due_at, way)
    [(_, _, text)] = way.sent
    assert "Sunday 22 March 2026" in text.body


def test_moved_after_it_left_is_told_anew(ward, way):
    visit = make_appointment(ward, NOW + DAY)
    open_due(NOW)
    send_due(NOW, way)
    Appointment.objects.filter(pk=visit.pk).update(starts_at=NOW + DAY - timedelta(hours=1))
    open_due(NOW)
    send_due(NOW, way)
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
    point.quiet_from, point.quiet_until = "21:00", "12:00"
    point.time_zone = "UTC"
    point.save()
    make_appointment(ward, NOW + timedelta(hours=2))
    open_due(NOW)
    recall = Recall.objects.get()
    assert recall.messages.get().due_at == NOW.replace(hour=12)
    send_due(NOW.replace(hour=12), way)
    assert way.sent == []


def test_the_key_is_the_same_in_the_database_and_outside(ward):
    visit = make_appointment(ward, NOW + DAY)
    in_database = Appointment.objects.annotate(occasion=OCCASION).get(pk=visit.pk).occasion
    assert in_database == appointment_occasion(visit)
