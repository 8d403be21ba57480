"""Somebody has a plan, a recall or a message in hand: who comes then leaves it, losing nothing."""

from datetime import timedelta

import pytest
from django.db import connection

from clinics.vocabulary import Role
from core import db
from core.errors import Busy
from courses.models import Message, Recall, RecallPlan
from courses.services.recalls import sending
from courses.services.recalls.desk import recall_withdraw
from tests.support.factories import make_actor
from tests.support.recalls import Remembering, make_scene, open_due, send_due, statuses
from tests.support.threads import held

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]
SOON = timedelta(seconds=6)
PLAN, RECALL, MESSAGE = "courses_recallplan", "courses_recall", "courses_message"


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    """Whoever waits for a lock hears soon that it did not come."""
    monkeypatch.setattr(db, "LOCK_WAIT_SECONDS", 1)


def booked(scene) -> None:
    """The plan is out of date: the invitation is not wanted any more."""
    type(scene.course).objects.filter(pk=scene.course.pk).update(status="on-hold")


def test_nothing_is_sent_on_a_plan_that_is_being_made():
    scene, way = make_scene(), Remembering()
    open_due(scene.noon)
    # Due to be looked at, though what stands is still wanted.
    RecallPlan.objects.update(look_at=scene.noon)
    with held(PLAN, key=scene.course.pk, column="course_id"), held(RECALL, key=scene.recall.pk):
        assert send_due(scene.noon, way) == {"waits": 1}
        assert statuses([scene.message]) == [("preparation", "plan_under_way")]
        assert scene.message.attempt == 0
    assert send_due(scene.noon, way) == {}
    assert send_due(scene.noon + SOON, way) == {"sent": 1}


@pytest.mark.parametrize("table", [RECALL, MESSAGE])
def test_a_course_that_somebody_has_in_hand_is_left_and_the_others_are_planned(table):
    scenes = [make_scene() for _ in range(3)]
    open_due(scenes[0].noon)
    for scene in scenes:
        booked(scene)
    busy = scenes[1]
    key = busy.recall.pk if table == RECALL else busy.message.pk
    with held(table, key=key):
        assert open_due(scenes[0].noon)["planned"] == 3
        assert [one.recall.status for one in scenes] == ["revoked", "active", "revoked"]
    assert open_due(scenes[0].noon)["planned"] == 0
    assert open_due(scenes[0].noon + SOON)["planned"] == 1
    assert statuses([busy.recall, busy.message]) == [
        ("revoked", "course_not_running"),
        ("not-done", "course_not_running"),
    ]


def test_nor_is_it_sent_meanwhile():
    scene, way = make_scene(), Remembering()
    open_due(scene.noon)
    booked(scene)
    with held(RECALL, key=Recall.objects.order_by("-due_at")[0].pk):
        assert send_due(scene.noon, way) == {"waits": 1}
    assert way.sent == []


def test_when_all_plans_are_in_hand_the_tick_goes_on(monkeypatch):
    def busy(**_):
        raise Busy

    scene = make_scene()
    monkeypatch.setattr("courses.services.recalls.planner.plan_batch", busy)
    assert open_due(scene.noon) == {"closed": 1, "planned": 0}


class TestSettling:
    def test_what_has_left_is_settled_when_the_row_is_free(self, monkeypatch):
        scene, way = make_scene(), Remembering()
        open_due(scene.noon)
        once, tried = held(RECALL, key=scene.recall.pk), []
        settle = sending.message_settle

        def in_hand_at_first(**more):
            tried.append(more)
            if len(tried) == 1:
                with once:
                    return settle(**more)
            return settle(**more)

        monkeypatch.setattr(sending, "message_settle", in_hand_at_first)
        assert send_due(scene.noon, way) == {"sent": 1}
        assert len(tried) == 2
        assert (scene.message.status, scene.message.attempt) == ("completed", 1)

    def test_not_for_ever(self, monkeypatch, settings):
        scene, way = make_scene(), Remembering()
        open_due(scene.noon)
        monkeypatch.setattr(sending, "SETTLE_TRIES", 2)
        with held(RECALL, key=scene.recall.pk):
            send_due(scene.noon, way)
        assert scene.message.status == "in-progress"
        lease = timedelta(seconds=settings.FALLOW_MESSAGE_LEASE_SECONDS)
        send_due(scene.noon + lease, way)
        # The same again, under the same key.
        assert {key for key, _, _ in way.sent} == {f"fallow-message-{scene.message.pk}"}
        assert Message.objects.get(pk=scene.message.pk).status == "completed"


def test_control_the_row_was_held():
    scene = make_scene()
    open_due(scene.noon)
    with held(RECALL, key=scene.recall.pk), connection.cursor() as cursor:
        cursor.execute(
            "SELECT 1 FROM courses_recall WHERE id = %s FOR UPDATE SKIP LOCKED", [scene.recall.pk]
        )
        assert cursor.fetchall() == []


def test_what_the_planner_is_writing_is_withdrawn_too():
    """Whoever withdraws waits for the planner, and then sees its rows."""
    scene = make_scene()
    open_due(scene.noon)
    desk = make_actor(Role.FRONT_DESK, clinic=scene.ward.clinic)
    with held(PLAN, key=scene.course.pk, column="course_id"), pytest.raises(Busy):
        recall_withdraw(recall_id=scene.recall.pk, reason="asked", actor=desk, now=scene.noon)
    assert scene.recall.withdrawn_by is None
    recall_withdraw(recall_id=scene.recall.pk, reason="asked", actor=desk, now=scene.noon)
    assert {status for _, status in scene.steps} == {"revoked"}
