"""A course, a window or a message that cannot be done: the others are, and somebody sees it."""

from datetime import timedelta

import pytest
from django.db import connection

from core.db import unit
from courses.models import (
    ContactPoint,
    HealingWindow,
    HealingWindowVersion,
    Message,
    Recall,
    RecallPlan,
    RecallPolicy,
)
from courses.selectors.recalls.operation import message_gauges
from courses.services.recalls.closing import window_close, windows_close, windows_close_batch
from courses.services.recalls.ticks import recalls_open_due
from courses.timing.pauses import FIRST_PAUSE, GROWTH
from tests.support.api import anonymous
from tests.support.courses import make_observation
from tests.support.recalls import Scene, make_scene, open_due, send_due, statuses

pytestmark = pytest.mark.django_db


class Undone(Exception):
    """What was written is taken back."""


NOWHERE = "Nowhere/Street-of-the-Patient"


def hurt_reading(scene: Scene) -> None:
    ContactPoint.objects.filter(pk=scene.point.pk).update(time_zone=NOWHERE)


def hurt_thinking(scene: Scene) -> None:
    RecallPolicy.objects.create(
        chain=scene.ward.chain,
        number=1,
        document={"note": NOWHERE},
        set_by=scene.ward.operator,
        set_at=scene.noon,
    )


def hurt_writing(scene: Scene) -> None:
    refuse("courses_recall", f"course_id <> {scene.course.pk}")


def refuse(table: str, rule: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute(f"ALTER TABLE {table} ADD CONSTRAINT refused CHECK ({rule}) NOT VALID")


def plan_of(scene: Scene) -> RecallPlan:
    return RecallPlan.objects.get(pk=scene.course.pk)


@pytest.fixture
def three(db) -> list[Scene]:
    return [make_scene() for _ in range(3)]


@pytest.mark.parametrize("hurt", [hurt_reading, hurt_thinking, hurt_writing])
def test_a_course_that_cannot_be_planned_stops_nobody_else(three, hurt, caplog):
    first, broken, last = three
    hurt(broken)
    assert open_due(first.noon) == {"closed": 3, "planned": 3}
    assert [first.message.status, last.message.status] == ["preparation"] * 2
    assert broken.steps == []
    assert [plan_of(one).failures for one in three] == [0, 1, 0]
    assert message_gauges(now=first.noon).plans_failing == 1
    [line] = [record.getMessage() for record in caplog.records if record.levelname == "ERROR"]
    assert line.startswith(f"course {broken.course.pk} cannot be planned: ")
    for private in (NOWHERE, broken.point.address, broken.patient.family_name):
        assert private not in caplog.text


@pytest.mark.parametrize("hurt", [hurt_reading, hurt_thinking])
def test_it_is_looked_at_again_after_pauses_that_grow(scene, hurt):
    hurt(scene)
    now, pauses = scene.noon, []
    for number in range(1, 8):
        assert open_due(now)["planned"] == 1
        assert plan_of(scene).failures == min(number, 5)
        again_at = plan_of(scene).look_at
        pauses.append(again_at - now)
        assert open_due(again_at - timedelta(seconds=1))["planned"] == 0
        now = again_at
    for place, pause in enumerate(pauses):
        plain = FIRST_PAUSE * GROWTH ** min(place, 4)
        assert plain / 2 <= pause <= plain * 3 / 2


def test_a_change_that_mends_it_is_looked_at_without_delay(scene):
    hurt_reading(scene)
    open_due(scene.noon)
    ContactPoint.objects.filter(pk=scene.point.pk).update(time_zone="")
    open_due(scene.noon)
    assert (scene.message.status, plan_of(scene).failures) == ("preparation", 0)
    assert message_gauges(now=scene.noon).plans_failing == 0


def test_watchers_are_told(scene, settings, at_treatment):
    settings.FALLOW_METRICS_TOKEN = "watcher"
    hurt_reading(scene)
    open_due(scene.noon)
    client = anonymous()
    assert client.get("/health/messages").json()["plans_failing"] == 1


def test_nothing_is_sent_on_a_plan_that_cannot_be_made(scene, way):
    open_due(scene.noon)
    hurt_reading(scene)
    assert send_due(scene.noon, way) == {"waits": 1}
    again_at = plan_of(scene).look_at
    assert statuses([scene.message]) == [("preparation", "plan_fails")]
    assert (scene.message.due_at, scene.message.attempt) == (again_at, 0)
    assert send_due(again_at - timedelta(seconds=1), way) == {}
    ContactPoint.objects.filter(pk=scene.point.pk).update(time_zone="")
    assert send_due(again_at, way) == {"sent": 1}
    assert plan_of(scene).failures == 0


def test_a_message_that_breaks_stops_no_other(three, way, caplog):
    open_due(three[0].noon)
    way.troubles = [ValueError(three[0].point.address)]
    assert send_due(three[0].noon, way) == {"broken": 1, "sent": 2}
    assert "attempt 1 broke: ValueError at " in caplog.text
    assert three[0].point.address not in caplog.text


class TestClosing:
    def test_a_window_that_cannot_be_written_stops_no_other(self, three, caplog):
        broken = three[1].window
        refuse("courses_healingwindowversion", f"window_id <> {broken.pk}")
        assert recalls_open_due(now=three[0].noon)["closed"] == 2
        open_still = HealingWindow.objects.filter(state="open")
        assert list(open_still.values_list("pk", flat=True)) == [broken.pk]
        assert f"window {broken.pk} is left to the next tick" in caplog.text
        assert message_gauges(now=three[0].noon).to_close == 1

    def test_those_that_cannot_be_closed_are_not_in_the_way(self, three):
        for scene in three[:2]:
            chain = scene.ward.chain
            chain.healing_policy = {"healing.minimum": {"days": -1}}
            chain.save()
        after, closed = None, []
        for _ in three:
            done = windows_close_batch(now=three[0].noon, after=after, limit=1)
            after = done.last
            closed.append(done.number)
        assert closed == [0, 0, 1]
        assert windows_close_batch(now=three[0].noon, after=after, limit=1).last is None

    def test_closing_many_is_closing_each(self, three):
        healed = three[0].window.session.treated_on + timedelta(days=30)
        make_observation(three[0].window.session, kind="crust", resolved_on=healed)
        make_observation(three[1].window.session, kind="infection_sign")
        noon = three[0].noon
        alone = []

        def close_each():
            for scene in three:
                window_close(window_id=scene.window.pk, now=noon)
            alone.append(windows_as_they_are())
            raise Undone

        with pytest.raises(Undone):
            unit(close_each)
        assert windows_close(now=noon) == 1
        assert alone == [windows_as_they_are()]
        assert {state for state, *_ in alone[0][0]} == {"open", "held", "closed"}

    @pytest.mark.parametrize("number", [2, 12])
    def test_costs_the_same_number_of_queries(self, number, django_assert_max_num_queries):
        scenes = [make_scene() for _ in range(number)]
        with django_assert_max_num_queries(14):
            windows_close_batch(now=scenes[0].noon)
        assert set(HealingWindow.objects.values_list("state", flat=True)) == {"closed"}


def windows_as_they_are():
    windows = HealingWindow.objects.order_by("pk")
    versions = HealingWindowVersion.objects.order_by("window", "number")
    return (
        list(windows.values_list("state", "earliest_on", "advised_on", "closes_at", "number")),
        list(versions.values_list("window", "number", "state", "facts", "outcomes", "cause")),
    )


def test_nothing_was_written_for_the_course_that_failed(three):
    hurt_writing(three[1])
    open_due(three[0].noon)
    assert Recall.objects.filter(course=three[1].course).count() == 0
    assert Message.objects.filter(recall__course=three[1].course).count() == 0
