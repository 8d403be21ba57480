"""The re-plan against all plans, tried one by one."""

import pytest

from courses.replan import Status
from tests.support.replan_cases import SHAPES, best_plan, faults, random_problem, solve


@pytest.mark.parametrize("seed", range(16))
@pytest.mark.parametrize("shape", SHAPES)
def test_as_good_as_the_best_of_all_plans(shape, seed):
    problem, cases = random_problem(seed, clinics=1 + seed % 2, **SHAPES[shape])
    answer = solve(problem)
    assert answer.status is Status.OPTIMAL
    assert (len(answer.unplaced), answer.points) == best_plan(problem, cases)
    assert answer.least_points == answer.points
    assert answer.fewest_unplaced == len(answer.unplaced)
    assert not faults(problem, answer)


def test_these_cases_are_not_all_easy():
    shapes = SHAPES.values()
    found = [solve(random_problem(seed, **one)[0]) for seed in range(0, 16, 2) for one in shapes]
    lost = [reason.code for answer in found for one in answer.unplaced for reason in one.reasons]
    assert lost.count("lost_to_others") >= 8
    assert sum(answer.points > 0 for answer in found) >= 6
    better = [
        answer
        for answer in found
        if (len(answer.unplaced), answer.points)
        < (answer.statistics.greedy_unplaced, answer.statistics.greedy_points)
    ]
    assert len(better) >= 3
