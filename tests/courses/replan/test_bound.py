"""What is proven about all plans, whatever the prices."""

import numpy as np
import pytest

from courses.replan.board import Board
from courses.replan.dual import Allowance, Ascent
from courses.replan.pricing import UNIT
from courses.replan.relaxation import Ask, Relaxation
from tests.support.replan_cases import SHAPES, best_plan, random_problem


def bounds(board, ascent, ask):
    """Of arbitrary prices, of those of the relaxation, and after some rounds from there."""
    chance = np.random.default_rng(1)
    for scale in (0, 5, 50):
        yield ascent.start(chance.uniform(0, scale, board.free_prices().shape) * UNIT).value
    relaxed = Relaxation.of(board, [None] * len(board.menus)).solve(ask, work=10, seconds=60)
    yield ascent.start(relaxed.prices).value
    yield ascent.climb(20, target=10**9).value


@pytest.fixture(params=[(shape, seed) for shape in SHAPES for seed in range(8)])
def case(request):
    """(board, how many the best plan leaves out of those who have options, its points)"""
    return solved_case(*request.param)


def solved_case(shape, seed):
    problem, cases = random_problem(seed, **SHAPES[shape])
    missing, points = best_plan(problem, cases)
    board = Board.of(problem)
    return board, missing - (len(board.menus) - len(board.open)), points


def test_no_plan_has_fewer_points_than_the_bound(case):
    board, free, points = case
    ascent = Ascent(board, allowance=Allowance(free=free))
    found = list(bounds(board, ascent, Ask(unit=UNIT, free=free, fine=10**6)))
    assert max(found) <= points * UNIT


def test_no_plan_leaves_fewer_out_than_the_bound(case):
    board, free, _ = case
    ascent = Ascent(board, unit=0, allowance=Allowance(fine=UNIT))
    found = list(bounds(board, ascent, Ask(unit=0, free=0, fine=UNIT)))
    assert max(found) <= free * UNIT


def test_the_relaxation_comes_close():
    """The bound is of use: it finds most of those who must be left out, and most of the points."""
    counted, proven, left, best = 0, 0, 0, 0
    for seed in range(12):
        board, free, points = solved_case("tight", seed)
        relaxation = Relaxation.of(board, [None] * len(board.menus))
        few = relaxation.solve(Ask(unit=0, free=0, fine=UNIT), work=10, seconds=60)
        dear = relaxation.solve(Ask(unit=UNIT, free=free, fine=10**6), work=10, seconds=60)
        ascent = Ascent(board, unit=0, allowance=Allowance(fine=UNIT))
        counted += ascent.start(few.prices).value
        proven += Ascent(board, allowance=Allowance(free=free)).start(dear.prices).value
        left += free * UNIT
        best += points * UNIT
    assert counted >= 0.9 * left
    assert proven >= 0.7 * best
