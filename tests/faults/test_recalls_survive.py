"""Workers are killed in mid-sending, Redis is emptied and killed: nothing lost, nothing twice."""

import pytest

from courses.models import DeliveryReport, HealingWindow, Message, Recall
from courses.services.recalls.reports import Told, delivery_report_take
from courses.timing.words import DeliveryOutcome
from tests.support.faults import Outcome, Plan, campaign

pytestmark = [pytest.mark.slow, pytest.mark.django_db(transaction=True), pytest.mark.timeout(180)]


def assert_each_was_told_once(outcome: Outcome, plan: Plan) -> None:
    assert outcome.kills == plan.kills
    assert (outcome.lost, outcome.twice) == (0, 0)
    # The kills did hit what was on its way: without keys these patients had heard twice.
    assert outcome.twice_without_keys >= outcome.kills
    assert outcome.files == plan.messages // 3
    assert set(HealingWindow.objects.values_list("state", flat=True)) == {"closed"}
    assert set(Recall.objects.values_list("status", flat=True)) == {"completed"}
    assert Recall.objects.count() == Message.objects.count() == plan.messages


def test_workers_killed_and_redis_emptied_and_killed(broker, tmp_path):
    plan = Plan(messages=36, kills=4, seconds=120)
    outcome = campaign(plan, broker=broker, folder=tmp_path)
    assert_each_was_told_once(outcome, plan)
    assert outcome.wipes == 2


@pytest.mark.timeout(300)
def test_a_provider_with_moods_and_a_database_that_cuts_connections(broker, tmp_path):
    plan = Plan(messages=30, kills=2, seconds=270, moods=True, cuts=2, seed=3)
    outcome = campaign(plan, broker=broker, folder=tmp_path)
    assert (outcome.kills, outcome.cuts, outcome.wipes) == (2, 2, 2)
    assert (outcome.lost, outcome.twice) == (0, 0)
    assert outcome.twice_without_keys >= outcome.kills
    # What it tells twice later counts once.
    message = Message.objects.filter(channel="sms", status="completed").first()
    told = Told("r-1", DeliveryOutcome.DELIVERED, message.sent_at)
    taken = [
        delivery_report_take(message_id=message.pk, told=told, now=message.sent_at)
        for _ in range(3)
    ]
    assert taken == [True, False, False]
    assert DeliveryReport.objects.count() == 1


def test_the_loop_without_a_queue_killed(tmp_path):
    plan = Plan(messages=15, kills=2, seconds=120)
    outcome = campaign(plan, broker=None, folder=tmp_path)
    assert_each_was_told_once(outcome, plan)
