"""The front desk stops a cadence at any of its moments, and hears when nothing is left to stop."""

from datetime import timedelta

import pytest
import time_machine

from clinics.vocabulary import Role
from courses.errors import NothingToWithdraw
from courses.models import HealingWindow, Recall
from courses.services.recalls.desk import recall_withdraw
from courses.vocabulary import AppointmentStatus, CourseStatus
from tests.support.courses import make_appointment, make_course, make_session, make_window
from tests.support.factories import make_actor
from tests.support.recalls import open_due, send_due

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
SAID = "does not want to be asked"


@pytest.fixture
def desk(scene):
    return make_actor(Role.FRONT_DESK, clinic=scene.ward.clinic)


def withdraw(recall, desk, *, now):
    return recall_withdraw(recall_id=recall.pk, reason=SAID, actor=desk, now=now)


def told_until(scene, way, *, since, days=60) -> int:
    """How many messages leave when every day is lived through."""
    before = len(way.sent)
    for day in range(days):
        open_due(since + day * DAY)
        send_due(since + day * DAY, way)
    return len(way.sent) - before


def between_two_steps(scene, way):
    """The second step has left, and the third is no row yet: rows stand two weeks ahead."""
    for now in (scene.noon, scene.noon + 14 * DAY):
        open_due(now)
        send_due(now, way)
    assert scene.steps == [("window-closed", "completed"), ("two-weeks-after", "completed")]
    return now + DAY


def test_between_two_steps(scene, desk, way):
    now = between_two_steps(scene, way)
    recall = withdraw(Recall.objects.latest("due_at"), desk, now=now)
    assert (recall.status, recall.status_reason) == ("completed", SAID)
    assert recall.withdrawn_by_id == desk.staff_id
    assert told_until(scene, way, since=now) == 0


def test_control_without_it_another_step_follows(scene, way):
    now = between_two_steps(scene, way)
    assert told_until(scene, way, since=now) == 1


def test_one_that_the_planner_has_taken_back(scene, desk, way):
    open_due(scene.noon)
    open_due(scene.noon + 13 * DAY)
    assert scene.recall.status_reason == "superseded"
    recall = withdraw(scene.recall, desk, now=scene.noon + 13 * DAY)
    assert (recall.status, recall.status_reason) == ("revoked", SAID)
    assert set(Recall.objects.values_list("status", flat=True)) == {"revoked"}
    assert told_until(scene, way, since=scene.noon + 13 * DAY) == 0


def test_it_counts_for_the_window_on_whatever_day_it_closes(scene, desk, way):
    open_due(scene.closes_at - DAY)
    withdraw(scene.recall, desk, now=scene.closes_at - DAY)
    window = HealingWindow.objects.get(pk=scene.window.pk)
    window.earliest_on += 7 * DAY
    window.closes_at += 7 * DAY
    window.save()
    assert told_until(scene, way, since=scene.noon) == 0


def test_the_next_window_is_another_thing(scene, desk, way):
    open_due(scene.noon)
    withdraw(scene.recall, desk, now=scene.noon)
    make_window(make_session(scene.ward, scene.noon + DAY))
    assert told_until(scene, way, since=scene.noon + 2 * DAY, days=100) > 0


def test_so_is_a_visit_that_falls_through(scene, desk, way):
    open_due(scene.noon)
    withdraw(scene.recall, desk, now=scene.noon)
    visit = make_appointment(scene.ward, scene.noon + 3 * DAY)
    with time_machine.travel(scene.noon + 3 * DAY, tick=False):
        visit.status = AppointmentStatus.NOSHOW
        visit.save()
    open_due(scene.noon + 5 * DAY)
    assert Recall.objects.filter(occasion__contains=":after:", status="active").exists()


def test_another_course_of_the_same_skin_is_asked_for_itself(scene, desk):
    other = make_course(*scene.course.tattoos.all(), clinic=scene.ward.clinic)
    open_due(scene.noon)
    assert set(Recall.objects.values_list("course", flat=True)) == {scene.course.pk, other.pk}
    withdraw(scene.recall, desk, now=scene.noon)
    assert {status for _, status in scene.steps} == {"revoked"}
    assert Recall.objects.filter(course=other, status="active").exists()


class TestNothingLeft:
    def refused(self, scene, desk, *, now):
        recall = scene.recall
        with pytest.raises(NothingToWithdraw):
            withdraw(recall, desk, now=now)
        kept = Recall.objects.get(pk=recall.pk)
        assert (kept.version, kept.withdrawn_by_id) == (recall.version, None)

    def test_the_cadence_is_over(self, scene, desk, way):
        open_due(scene.noon)
        told_until(scene, way, since=scene.noon, days=92)
        self.refused(scene, desk, now=scene.noon + 92 * DAY)

    def test_there_is_a_visit(self, scene, desk):
        open_due(scene.noon)
        make_appointment(scene.ward, scene.noon + 3 * DAY)
        open_due(scene.noon + timedelta(hours=1))
        assert scene.recall.status_reason == "booked"
        self.refused(scene, desk, now=scene.noon + timedelta(hours=1))

    def test_the_course_has_ended(self, scene, desk):
        open_due(scene.noon)
        ended = {"status": CourseStatus.COMPLETED, "end_reason": "goal-reached"}
        type(scene.course).objects.update(**ended)
        open_due(scene.noon)
        self.refused(scene, desk, now=scene.noon)

    def test_it_was_of_an_earlier_window(self, scene, desk, way):
        open_due(scene.noon)
        send_due(scene.noon, way)
        make_window(make_session(scene.ward, scene.noon + DAY))
        now = scene.noon + 2 * DAY
        open_due(now)
        self.refused(scene, desk, now=now)

    def test_somebody_else_has_withdrawn_it(self, scene, desk, way):
        open_due(scene.noon)
        send_due(scene.noon, way)
        withdraw(Recall.objects.get(status="active"), desk, now=scene.noon)
        self.refused(scene, desk, now=scene.noon)
