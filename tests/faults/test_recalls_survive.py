"""Workers and servers fail in mid-sending: nothing lost, nothing told twice."""

from collections import Counter
from dataclasses import replace

import pytest

from tests.support.faults import Outcome, Plan, campaign

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180, func_only=True)]

REST = """
    SELECT (SELECT count(*) FROM courses_recall), (SELECT count(*) FROM courses_message),
        (SELECT count(*) FROM courses_healingwindow WHERE state <> 'closed')
"""


def assert_nobody_was_forgotten_or_pestered(outcome: Outcome, plan: Plan) -> None:
    seen = outcome.evidence
    assert outcome.kills == plan.kills
    assert (seen.lost, seen.twice, seen.untrue) == (0, 0, 0)
    assert outcome.files == plan.messages // 3


def test_everything_fails_at_once(own):
    plan = Plan(
        messages=42, kills=4, workers=2, beats=2, redis=2, postgres=3, moods=True, retry_s=0, seed=3
    )
    outcome = campaign(plan, own)
    assert_nobody_was_forgotten_or_pestered(outcome, plan)
    assert outcome.troubles == {"redis": 2, "postgres": 3}
    # What was on its way was hit: a provider without keys had told these again.
    assert outcome.evidence.twice_without_keys > 0
    # What it told later, it told several times, and it counted once.
    assert outcome.unheard == 0
    assert outcome.reports == plan.messages * 2 // 3
    assert outcome.repeats > 0
    with own.connect() as link:
        assert link.execute(REST).fetchone() == (plan.messages, plan.messages, 0)


def test_a_provider_that_does_not_know_keys_is_asked_once(own):
    plan = Plan(messages=30, kills=4, postgres=1, moods=True, honours_keys=False, retry_s=0)
    outcome = campaign(plan, own)
    assert_nobody_was_forgotten_or_pestered(outcome, plan)
    # Nobody knows what came of these: the front desk sees them.
    assert len(outcome.evidence.desk) > 0


def test_the_loop_without_a_queue_killed(own):
    plan = Plan(messages=15, kills=2, beats=0)
    outcome = campaign(plan, own)
    assert_nobody_was_forgotten_or_pestered(outcome, plan)
    assert outcome.starts > 1
    # The checks see one who was forgotten, and one who was told again.
    told = outcome.evidence.told
    someone = next(iter(told))
    forgotten = replace(outcome.evidence, told=told - Counter([someone]))
    assert (forgotten.lost, forgotten.untrue) == (1, 1)
    assert replace(outcome.evidence, told=told + Counter([someone])).twice == 1
