"""The re-plan against all plans, tried one by one."""

import pytest

from courses.replan import Status
from tests.support.replan_cases import best_plan, faults, random_problem, solve


@pytest.mark.parametrize("seed", range(24))
def test_as_good_as_the_best_of_all_plans(seed):
    problem, cases = random_problem(seed, clinics=1 + seed % 2)
    answer = solve(problem)
    assert answer.status is Status.OPTIMAL
    assert (len(answer.unplaced), answer.points) == best_plan(problem, cases)
    assert answer.least_points == answer.points
    assert answer.fewest_unplaced == len(answer.unplaced)
    assert not faults(problem, answer)


def test_these_cases_are_not_all_easy():
    found = [solve(random_problem(seed)[0]) for seed in range(0, 24, 2)]
    assert sum(bool(answer.unplaced) for answer in found) >= 3
    assert sum(answer.points > 0 for answer in found) >= 6
    better = [
        answer
        for answer in found
        if (len(answer.unplaced), answer.points)
        < (answer.statistics.greedy_unplaced, answer.statistics.greedy_points)
    ]
    assert len(better) >= 3
