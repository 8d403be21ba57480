"""Workers are killed in mid-sending, Redis is emptied and killed: nothing lost, nothing twice."""

import pytest

from courses.models import HealingWindow, Message, Recall
from tests.support.faults import Plan, campaign

pytestmark = [pytest.mark.slow, pytest.mark.django_db(transaction=True), pytest.mark.timeout(180)]


def test_nothing_is_lost_and_nothing_told_twice(broker, tmp_path):
    plan = Plan(messages=45, kills=6, delay_s=0.1, seconds=120)
    outcome = campaign(plan, broker=broker, folder=tmp_path)
    assert (outcome.kills, outcome.wipes) == (6, 2)
    assert (outcome.lost, outcome.twice) == (0, 0)
    # The kills did hit what was on its way: without keys these patients had heard twice.
    assert outcome.twice_without_keys >= outcome.kills
    assert outcome.files == 15
    assert set(HealingWindow.objects.values_list("state", flat=True)) == {"closed"}
    assert set(Recall.objects.values_list("status", flat=True)) == {"completed"}
    assert Recall.objects.count() == Message.objects.count() == plan.messages
