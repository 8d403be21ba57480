"""Workers are killed in mid-sending, Redis is emptied and killed: nothing lost, nothing twice."""

import pytest

from courses.models import HealingWindow, Message, Recall
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


def test_the_loop_without_a_queue_killed(tmp_path):
    plan = Plan(messages=15, kills=2, seconds=120)
    outcome = campaign(plan, broker=None, folder=tmp_path)
    assert_each_was_told_once(outcome, plan)
