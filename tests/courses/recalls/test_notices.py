"""Messages about one appointment: that it has been moved."""

from datetime import timedelta

import pytest

from core.db import unit
from courses.models import Appointment, Course, Message, Patient, Recall
from courses.services.recalls.notices import notice_queue
from courses.timing.words import NoticeTopic
from courses.vocabulary import AppointmentStatus
from tests.support.courses import NOW, make_appointment, make_contact_point, make_ward, say
from tests.support.recalls import open_due, send_due, statuses

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def ward():
    ward = make_ward()
    make_contact_point(ward.course.patient)
    return ward


def move(visit: Appointment, by: timedelta) -> Appointment:
    moved = Appointment.objects.get(pk=visit.pk)
    moved.starts_at += by
    moved.ends_at += by
    moved.save()
    return moved


def tell(visit: Appointment, *, now=NOW) -> Recall | None:
    return unit(lambda: notice_queue(appointment=visit, topic=NoticeTopic.MOVED, now=now))


def test_is_sent_once_and_tells_the_new_time(ward, way):
    visit = move(make_appointment(ward, NOW + 30 * DAY), DAY)
    recall = tell(visit)
    assert tell(visit) is None
    open_due(NOW)
    send_due(NOW, way)
    send_due(NOW, way)
    [(_, _, text)] = way.sent
    assert "Thursday 2 April 2026 at 08:00" in text.body
    assert statuses([Recall.objects.get(pk=recall.pk)]) == [("completed", "")]


def test_moved_again_before_it_left_only_the_last_is_told(ward, way):
    visit = move(make_appointment(ward, NOW + 30 * DAY), DAY)
    tell(visit)
    visit = move(visit, DAY)
    tell(visit)
    open_due(NOW)
    send_due(NOW, way)
    [(_, _, text)] = way.sent
    assert "Friday 3 April 2026" in text.body
    assert statuses(Recall.objects.order_by("pk")) == [
        ("revoked", "appointment_moved"),
        ("completed", ""),
    ]


def test_the_reminder_that_the_notice_makes_needless_is_left_out(ward, way):
    visit = move(make_appointment(ward, NOW + DAY), DAY)
    tell(visit)
    open_due(NOW)
    send_due(NOW, way)
    assert len(way.sent) == 1
    open_due(NOW + DAY + timedelta(hours=2))
    send_due(NOW + DAY + timedelta(hours=2), way)
    assert len(way.sent) == 2
    assert set(Recall.objects.values_list("kind", "step")) == {
        ("change", "moved"),
        ("reminder", "one-day-before"),
    }


def test_moved_and_back_is_told_again(ward, way):
    visit = move(make_appointment(ward, NOW + 30 * DAY), DAY)
    for by in (DAY, -DAY, DAY):
        visit = move(visit, by)
        tell(visit)
        send_due(NOW, way)
    assert len(way.sent) == 3


def test_consent_is_that_for_reminders(ward, way):
    point = ward.course.patient.contact_points.get()
    say(point, "withdrawn", "reminder", at=NOW)
    recall = tell(make_appointment(ward, NOW + 30 * DAY))
    assert statuses([recall]) == [("on-hold", "no_contact_point")]
    assert not Message.objects.exists()


def test_waits_for_the_end_of_quiet_hours(ward, way):
    point = ward.course.patient.contact_points.get()
    point.quiet_from, point.quiet_until = "07:00", "11:00"
    point.save()
    tell(make_appointment(ward, NOW + 30 * DAY))
    assert Message.objects.get().due_at == NOW + timedelta(hours=3)


def test_is_the_front_desks_when_it_would_come_after_the_start(ward):
    point = ward.course.patient.contact_points.get()
    point.quiet_from, point.quiet_until = "07:00", "11:00"
    point.save()
    recall = tell(make_appointment(ward, NOW + timedelta(hours=2)))
    assert statuses([recall]) == [("on-hold", "too_late")]
    assert not Message.objects.exists()


def test_takes_the_next_way_when_the_first_would_come_after_the_start(ward):
    point = ward.course.patient.contact_points.get()
    point.quiet_from, point.quiet_until = "07:00", "11:00"
    point.save()
    awake = make_contact_point(ward.course.patient, rank=2)
    recall = tell(make_appointment(ward, NOW + timedelta(hours=2)))
    assert statuses([recall]) == [("active", "")]
    assert Message.objects.get().contact_point == awake


def test_cancelled_meanwhile(ward, way):
    visit = make_appointment(ward, NOW + 30 * DAY)
    recall = tell(visit)
    Appointment.objects.update(status=AppointmentStatus.CANCELLED)
    open_due(NOW)
    send_due(NOW, way)
    assert way.sent == []
    assert statuses([Recall.objects.get(pk=recall.pk)]) == [("revoked", "appointment_ended")]


@pytest.mark.parametrize(
    ("model", "change"),
    [
        (Course, {"status": "on-hold"}),
        (Patient, {"deceased": True}),
        (Appointment, {"status": "cancelled"}),
        (Appointment, {"starts_at": NOW}),
    ],
)
def test_nobody_to_tell(ward, model, change):
    visit = make_appointment(ward, NOW + 30 * DAY)
    model.objects.update(**change)
    assert tell(Appointment.objects.get(pk=visit.pk)) is None
    assert not Recall.objects.exists()
