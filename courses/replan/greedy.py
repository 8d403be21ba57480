"""One appointment after the other, each given what is still free; nothing given is taken back."""

from collections.abc import Iterable
from enum import StrEnum

import numpy as np

from courses.replan.board import Board, Plan
from courses.replan.pricing import TAKEN, DayRange, EntryCosts, Option, Tariff, cheapest


class Rule(StrEnum):
    """Which of its free options an appointment is given."""

    FIRST_FIT = "first_fit"
    BEST_FIT = "best_fit"


def greedy(board: Board, *, rule: Rule = Rule.FIRST_FIT) -> Plan:
    """In order of the old slots, each gets its first start in time, or the one of least points."""
    displaced = board.problem.displaced
    order = sorted(board.open, key=lambda at: (displaced[at].old.start, displaced[at].key))
    return fill(board, [None] * len(board.menus), order=order, rule=rule)


def fill(
    board: Board,
    plan: Plan,
    *,
    order: Iterable[int],
    tariff: Tariff | None = None,
    rule: Rule = Rule.BEST_FIT,
) -> Plan:
    """A plan with as many of `order` added, in turn, as still find anything free.

    `tariff` has the prices to go by (none: only points count); it is used up.
    """
    tariff = tariff or Tariff.of(board.free_prices())
    plan = list(plan)
    for at, option in board.placed(plan):
        take(board, at, option, tariff)
    for at in order:
        if plan[at] is not None:
            continue
        days = board.days_for(at, plan)
        if rule is Rule.FIRST_FIT:
            chosen = _first(board, at, tariff, days)
        else:
            priced = cheapest(board.menus[at], tariff, days=days)
            chosen = None if priced is None else priced.option
        if chosen is not None:
            plan[at] = chosen
            take(board, at, chosen, tariff)
    return plan


def take(board: Board, at: int, option: Option, tariff: Tariff) -> None:
    """Make everything that an option keeps busy too dear for others."""
    for row, begin, end in board.uses(at, option):
        tariff.take(row, begin, end)


def _first(board: Board, at: int, tariff: Tariff, days: DayRange) -> Option | None:
    """The earliest start that is free; of several clinics, the one of fewer points."""
    best: tuple[int, float, int] | None = None
    found = None
    for number, entry in enumerate(board.menus[at].entries):
        costs = EntryCosts.of(entry, tariff, slice(0, len(entry.cells)), days=days)
        free = np.flatnonzero(costs.total < TAKEN)
        if not len(free):
            continue
        first = int(free[entry.cells[free].argmin()])
        key = (int(entry.cells[first]), float(costs.total[first]), number)
        if best is None or key < best:
            best, found = key, costs.option_at(first, number)
    return found
