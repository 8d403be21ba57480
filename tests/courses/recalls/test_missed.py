"""Patients whose skin is ready and whom no closing of a window will call any more."""

from datetime import timedelta

import pytest
import time_machine

from clinics.vocabulary import Role
from courses.models import Appointment, Message, Recall
from courses.services.recalls import ticks
from courses.services.recalls.desk import recall_withdraw
from courses.vocabulary import AppointmentStatus, CourseStatus
from tests.support.courses import make_appointment, make_contact_point, make_ward
from tests.support.factories import make_actor
from tests.support.recalls import Scene, make_scene, open_due, send_due, statuses

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def plan_missed(now) -> int:
    return ticks.recalls_plan_missed(now=now)["planned"]


@pytest.fixture
def invited(scene, way) -> Scene:
    """Invited on the closing day; the rows' own time stamps say so too."""
    with time_machine.travel(scene.noon, tick=False):
        open_due(scene.noon)
        send_due(scene.noon, way)
    return scene


def at(when):
    return time_machine.travel(when, tick=False)


def test_whoever_was_told_is_not_told_again(invited):
    assert plan_missed(invited.noon + DAY) == 0


def test_a_course_taken_up_again(scene):
    type(scene.course).objects.update(status=CourseStatus.ON_HOLD)
    open_due(scene.closes_at)
    assert plan_missed(scene.noon) == 0
    type(scene.course).objects.update(status=CourseStatus.ACTIVE)
    assert plan_missed(scene.noon) == 1
    recall = scene.recall
    assert (recall.kind, recall.step) == ("invitation", "missed")
    assert recall.due_at == scene.closes_at + DAY + timedelta(hours=10)
    assert plan_missed(scene.noon) == 0


@pytest.mark.parametrize("status", [AppointmentStatus.CANCELLED, AppointmentStatus.NOSHOW])
def test_a_visit_that_fell_through(invited, way, status):
    fell_at = invited.noon + 5 * DAY
    visit = make_appointment(invited.ward, fell_at)
    with at(fell_at + timedelta(minutes=30)):
        visit = Appointment.objects.get(pk=visit.pk)
        visit.status = status
        visit.save()
        assert plan_missed(fell_at + DAY) == 1
        assert plan_missed(fell_at + DAY) == 0
    send_due(fell_at + 3 * DAY, way)
    assert len(way.sent) == 2


def test_not_while_anything_is_booked(invited):
    make_appointment(invited.ward, invited.noon + 3 * DAY, status=AppointmentStatus.CANCELLED)
    make_appointment(invited.ward, invited.noon + 30 * DAY)
    assert plan_missed(invited.noon + 4 * DAY) == 0


def test_a_booking_that_was_cancelled_before_the_invitation_left(scene, way):
    open_due(scene.closes_at)
    visit = make_appointment(scene.ward, scene.closes_at + 10 * DAY)
    send_due(scene.noon, way)
    assert statuses([scene.recall]) == [("revoked", "booked")]
    Appointment.objects.filter(pk=visit.pk).update(status=AppointmentStatus.CANCELLED)
    assert plan_missed(scene.noon) == 1
    send_due(scene.noon + 2 * DAY, way)
    assert len(way.sent) == 1


def test_a_person_who_withdrew_it_had_a_reason(scene):
    open_due(scene.closes_at)
    with at(scene.noon):
        recall_withdraw(
            recall_id=scene.recall.pk,
            reason="will call us in autumn",
            actor=make_actor(Role.FRONT_DESK, chain=scene.ward.chain),
            now=scene.noon,
        )
    assert plan_missed(scene.noon + DAY) == 0


def test_not_while_one_waits_for_the_front_desk():
    scene = make_scene(opted_out_at="2026-01-12T10:00Z")
    open_due(scene.closes_at)
    assert plan_missed(scene.noon) == 0


def test_what_waits_for_the_front_desk_ends_when_it_is_booked():
    scene = make_scene(opted_out_at="2026-01-12T10:00Z")
    open_due(scene.closes_at)
    assert ticks.recalls_plan_missed(now=scene.noon)["ended"] == 0
    make_appointment(scene.ward, scene.noon + 10 * DAY)
    assert ticks.recalls_plan_missed(now=scene.noon)["ended"] == 1
    assert statuses([scene.recall]) == [("revoked", "booked")]


@pytest.mark.parametrize("field", ["deceased", "gold_therapy_ever"])
def test_not_to_the_dead_nor_to_skin_that_is_never_treated(scene, field):
    type(scene.course).objects.update(status=CourseStatus.ON_HOLD)
    open_due(scene.closes_at)
    type(scene.course).objects.update(status=CourseStatus.ACTIVE)
    type(scene.patient).objects.update(**{field: True})
    assert plan_missed(scene.noon) == 0


def test_not_before_the_window_closes(scene):
    assert plan_missed(scene.noon) == 0


def test_not_to_somebody_who_was_never_treated():
    make_contact_point(make_ward().course.patient)
    assert plan_missed(make_scene().noon) == 0


def test_not_of_long_ago(scene):
    type(scene.course).objects.update(status=CourseStatus.ON_HOLD)
    open_due(scene.closes_at)
    type(scene.course).objects.update(status=CourseStatus.ACTIVE)
    assert plan_missed(scene.noon + 91 * DAY) == 0
    assert not Recall.objects.exists()
    assert not Message.objects.exists()


def test_goes_through_all_courses_by_pages(monkeypatch):
    monkeypatch.setattr("courses.selectors.recalls.missed.CHUNK", 2)
    scenes = [make_scene() for _ in range(5)]
    type(scenes[0].course).objects.update(status=CourseStatus.ON_HOLD)
    open_due(scenes[0].noon)
    type(scenes[0].course).objects.update(status=CourseStatus.ACTIVE)
    assert plan_missed(scenes[0].noon) == 5
