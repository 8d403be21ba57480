"""A chain's weights: what may be stored, and that they count."""

import pytest

from clinics.vocabulary import Role
from tests.support.api import assert_problem, sign_in

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    "policy",
    [
        {"search_policy": {"nearness": 3}},
        {"search_policy": {"closeness": -1}},
        {"search_policy": {"closeness": "much"}},
        {"search_policy": {"start_step_minutes": 7}},
        {"healing_policy": {"healing.no-such-rule": {"days": 60}}},
        {"healing_policy": {"healing.base": {"days": 20}}},
    ],
)
def test_a_policy_that_cannot_be_kept_is_refused_and_not_stored(policy):
    manager = sign_in(Role.CHAIN_MANAGER)
    before = manager.get("/chain")
    answer = manager.patch("/chain", policy, version=before.headers["ETag"])
    assert answer.status_code in {400, 422}, answer.json()
    assert_problem(answer, answer.status_code)
    assert manager.get("/chain").json() == before.json()


def test_a_lengthened_rule_and_other_weights_are_kept():
    manager = sign_in(Role.CHAIN_MANAGER)
    policy = {
        "search_policy": {"closeness": 1, "preference": 5},
        "healing_policy": {"healing.base": {"days": 49}},
    }
    answer = manager.patch("/chain", policy, version=manager.etag("/chain"))
    assert answer.status_code == 200, answer.json()
    assert manager.get("/chain").json()["search_policy"] == policy["search_policy"]
