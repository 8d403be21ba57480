"""Where a patient stands is kept beside the plan, and what reads it costs what it shows."""

import random
from datetime import UTC, datetime, time, timedelta
from functools import partial

import pytest
import time_machine
from django.db import connection

from core.db import reading, within_chain
from courses.models import Course, HealingWindow, Message, Recall, RecallPause, RecallPlan, Reply
from courses.selectors.recalls.desk_list import desk_list, in_states
from courses.selectors.recalls.operation import message_health
from courses.timing.words import DeskState
from tests.support.api import anonymous
from tests.support.courses import make_ward
from tests.support.factories import make_clinic
from tests.support.recalls import make_scene, open_due, send_due
from tests.support.walls import as_web_process

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)
CONTACT = {
    DeskState.TO_CALL: {"channel": "phone", "address": "+49301234567"},
    DeskState.UNREACHABLE: {"consented_at": None},
}
FETCHED = """
    SELECT coalesce(sum(idx_tup_fetch + seq_tup_read), 0) FROM pg_stat_xact_user_tables
    WHERE relname = ANY (%s)
"""
# What a list would have to read of everybody to find out where each stands.
TABLES = ["courses_message", "courses_recall", "courses_reply"]


def kept(course):
    return RecallPlan.objects.values_list("standing", "last_sent_at").get(course=course)


def truth(course):
    """The same from all rows, in the order of what the desk has to do first."""
    ready_on = RecallPlan.objects.get(course=course).ready_on
    since = datetime.combine(ready_on - 60 * DAY, time(), tzinfo=UTC)
    messages = list(Message.objects.filter(recall__course=course).select_related("recall"))
    sent = [
        one.sent_at
        for one in messages
        if one.recall.kind == "invitation" and one.status == "completed" and one.sent_at >= since
    ]
    replies = Reply.objects.filter(
        message__recall__course=course, message__recall__kind="invitation", replied_at__gte=since
    )
    last = max(sent, default=None)
    recalls = Recall.objects.filter(course=course, kind="invitation")
    newest = recalls.filter(due_at__gte=since).order_by("due_at", "pk").last()
    if newest and any(one.withdrawn_by for one in recalls if one.occasion == newest.occasion):
        return "withdrawn", last
    if any(last is None or last <= one.replied_at for one in replies):
        return "answered", last
    if any(one.status == "on-hold" for one in messages):
        return "to_call", last
    if Recall.objects.filter(course=course, kind="invitation", status="on-hold").exists():
        return "unreachable", last
    return ("invited" if sent else "due"), last


@pytest.mark.parametrize("seed", range(4))
def test_whatever_happens_what_is_kept_is_what_the_rows_say(scene, seed):
    chance = random.Random(seed)
    other = make_scene()
    open_due(scene.noon)
    open_due(scene.noon + 40 * DAY)
    untouched = kept(other.course)
    at = scene.noon
    seen = set()
    for _ in range(40):
        at += timedelta(hours=chance.randint(1, 200))
        chance.choice(MOVES)(scene, at)
        assert kept(scene.course) == truth(scene.course)
        seen.add(kept(scene.course)[0])
    assert len(seen) > 2
    assert kept(other.course) == untouched


def change(rows, statuses, **values):
    """The first of these rows that may take the step, by a statement of many rows."""
    keys = list(rows.filter(status__in=statuses).values_list("pk", flat=True)[:1])
    rows.model.objects.filter(pk__in=keys).update(**values)


def messages(scene):
    return Message.objects.filter(recall__course=scene.course)


def sent(scene, at):
    keys = list(messages(scene).filter(status="preparation").values_list("pk", flat=True)[:2])
    Message.objects.filter(pk__in=keys).update(status="in-progress")
    Message.objects.filter(pk__in=keys).update(status="completed", sent_at=at)


def called(scene, at):
    change(messages(scene), ["preparation"], status="on-hold")


def bounced(scene, at):
    change(messages(scene), ["completed", "on-hold"], status="stopped")
    change(messages(scene), ["stopped"], status="preparation")


def unreached(scene, at):
    change(Recall.objects.filter(course=scene.course), ["active"], status="on-hold")


def reached(scene, at):
    change(Recall.objects.filter(course=scene.course), ["on-hold"], status="active")
    change(messages(scene), ["on-hold"], status="completed", sent_at=at)


def replied(scene, at):
    new = messages(scene).filter(status="completed").exclude(replies__kind="stop").first()
    if new is not None:
        Reply.objects.create(message=new, kind="stop", replied_at=at)


def moved(scene, at):
    """The window turns out to have closed another day, so that other messages count."""
    HealingWindow.objects.filter(pk=scene.window.pk).update(
        earliest_on=at.date(), closes_at=at - DAY
    )


def ended(scene, at):
    recall = chosen(Recall.objects.filter(course=scene.course), at)
    recall.update(withdrawn_by=None if at.day % 2 else scene.ward.operator)


def planned(scene, at):
    """About the same, or a visit fell through and it begins anew."""
    last = Recall.objects.filter(course=scene.course).latest("pk")
    last.pk, last.step, last.due_at, last.withdrawn_by = None, f"at-{at:%j-%H}", at, None
    last.occasion = last.occasion if at.day % 3 else f"{scene.window.pk}:after:{at:%j%H}"
    last.status = "active"
    last.save(force_insert=True)


def chosen(rows, at):
    keys = sorted(rows.values_list("pk", flat=True))
    return rows.filter(pk=keys[at.day % len(keys)])


MOVES = [sent, called, bounced, unreached, reached, replied, moved, ended, planned]


def test_the_newest_pause_is_kept(scene):
    open_due(scene.noon)
    for days in (30, 10):
        RecallPause.objects.create(
            course=scene.course, until=scene.noon.date() + days * DAY, set_at=scene.noon
        )
        [until] = RecallPlan.objects.values_list("paused_until", flat=True)
        assert until == scene.noon.date() + days * DAY


def no_whole_tables():
    with connection.cursor() as cursor:
        # So small a table would be read whole where no index may be asked.
        cursor.execute("SET LOCAL enable_seqscan = off")
        cursor.execute("SET LOCAL enable_bitmapscan = off")
        cursor.execute("DISCARD PLANS")


def fetched():
    with connection.cursor() as cursor:
        cursor.execute(FETCHED, [TABLES])
        return cursor.fetchone()[0]


class TestCosts:
    """Rows that are read, as PostgreSQL counts them: what is not shown is not looked at."""

    def cost(self, ask):
        before = fetched()
        answer = ask()
        return fetched() - before, answer

    @pytest.mark.parametrize("state", [one for one in DeskState if one != DeskState.NO_ANSWER])
    def test_a_page_of_a_rare_state_reads_nothing_of_those_it_does_not_show(self, state):
        clinic = make_clinic()
        rare = make_scene(make_ward(clinic=clinic), **CONTACT.get(state, {}))
        now = rare.noon
        open_due(now)
        if state == DeskState.DUE:
            # It waits for another hour, so that the others are sent and it is not.
            Message.objects.filter(pk=rare.message.pk).update(due_at=now + DAY)
        elif state != DeskState.UNREACHABLE:
            send_due(now)
        if state == DeskState.WITHDRAWN:
            Recall.objects.filter(pk=rare.recall.pk).update(withdrawn_by=rare.ward.operator)
        if state == DeskState.ANSWERED:
            Reply.objects.create(message=rare.message, kind="stop", replied_at=now)
        no_whole_tables()
        costs = []
        for others in (2, 10):
            for _ in range(others):
                make_scene(make_ward(clinic=clinic))
            open_due(now)
            if state == DeskState.DUE:
                send_due(now)
            listed = desk_list(Course.objects.filter(chain=clinic.chain_id), now=now)
            page = in_states(listed, [state], now=now)[:51]
            with as_web_process(), within_chain(clinic.chain_id), reading():
                cost, found = self.cost(partial(list, page))
            assert [row.pk for row in found] == [rare.course.pk]
            costs.append(cost)
        assert costs[0] == costs[1]

    def test_the_light_reads_one_message_however_many_there_are(self, scene):
        no_whole_tables()
        costs = []
        for more in (1, 10):
            for _ in range(more):
                one = make_scene()
                open_due(one.noon)
                send_due(one.noon)
                open_due(make_scene().noon)
            with time_machine.travel(scene.noon, tick=False):
                cost, answer = self.cost(lambda: anonymous().get("/health/messages"))
            assert answer.json()["oldest_waiting_s"] > 0
            costs.append(cost)
        assert costs[0] == costs[1]


def test_health_says_what_the_numbers_say(scene, settings):
    settings.FALLOW_LATE_SECONDS = 60
    client = anonymous()
    open_due(scene.noon)
    due_at = scene.message.due_at
    for waited, status in ((timedelta(0), 200), (timedelta(seconds=61), 503)):
        health = message_health(now=due_at + waited)
        assert (health.oldest_s, health.plans_failing) == (waited.total_seconds(), 0)
        with time_machine.travel(due_at + waited, tick=False):
            assert client.get("/health/messages").status_code == status
    RecallPlan.objects.update(failures=2)
    assert message_health(now=due_at).plans_failing == 1
    assert message_health(now=due_at - DAY).oldest_s == 0
