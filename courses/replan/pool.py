"""The options worth a closer look: those that cost little more than the cheapest one.

If no plan is worth less than L at some prices, a plan with an option that costs d more than the
cheapest of its appointment is worth at least L + d (reduced-cost fixing). So a pool with all
options up to d, where L + d is the worth of the best plan known, holds every better plan.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from courses.replan.board import Board
from courses.replan.pricing import (
    ANY_DAY,
    TAKEN,
    DayRange,
    EntryCosts,
    Floats,
    Option,
    Tariff,
)

# No option costs so much more than another; anything taken, or out of the question, does.
EVERYTHING = TAKEN / 2


@dataclass(frozen=True, slots=True)
class Kept:
    """A start that stays, with the members that stay with it; all are positions."""

    entry: int
    start: int
    devices: tuple[int, ...]
    rooms: tuple[int, ...]
    operators: tuple[int, ...]


Pool = Mapping[int, tuple[Kept, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class MenuCosts:
    """All starts of one menu priced.

    `extra`: how much more than the cheapest option each start costs, entries one after the other;
    infinite where nothing is free.
    """

    entries: tuple[EntryCosts, ...]
    least: float
    extra: Floats

    @classmethod
    def of(
        cls, board: Board, at: int, tariff: Tariff, *, waited: int, days: DayRange = ANY_DAY
    ) -> "MenuCosts":
        """Of the menu at a position.

        A start more than `waited` days late costs what it would add to the worst delay, too.
        """
        entries = tuple(
            EntryCosts.of(entry, tariff, slice(0, len(entry.cells)), days=days)
            for entry in board.menus[at].entries
        )
        total = np.concatenate([one.total for one in entries])
        least = float(total.min())
        if least >= TAKEN:
            return cls(entries, least, np.full(len(total), np.inf))
        late = np.concatenate([np.maximum(one.entry.delay - waited, 0) for one in entries])
        extra = total - least + late * (board.policy.worst_delay * tariff.unit)
        return cls(entries, least, np.where(total < TAKEN, extra, np.inf))

    def keep(self, within: float, *, held: Option | None = None) -> tuple[Kept, ...]:
        """Starts and members in options that cost at most `within` more, and those of `held`."""
        kept, offset = [], 0
        for number, costs in enumerate(self.entries):
            extra = self.extra[offset : offset + len(costs.total)]
            offset += len(costs.total)
            keep = extra <= within
            mine = held if held is not None and held.entry == number else None
            if mine is not None:
                keep[mine.start] = True
            for start in np.flatnonzero(keep).tolist():
                slack = within - float(extra[start])
                limit = float(costs.total[start] - costs.own[start]) + slack
                here = mine is not None and mine.start == start
                kept.append(_kept(costs, number, start, limit, mine if here else None))
        return tuple(kept)


def starts_within(costs: Mapping[int, MenuCosts], within: float) -> int:
    """How many starts a pool would have."""
    return sum(int((one.extra <= within).sum()) for one in costs.values())


def most_within(costs: Mapping[int, MenuCosts], starts: int) -> float:
    """The largest whole limit with which a pool has at most so many starts; -1 for none."""
    extra = np.sort(np.concatenate([one.extra for one in costs.values()]))
    few = len(extra) <= starts or np.isinf(extra[starts])
    return EVERYTHING if few else float(np.ceil(extra[starts]) - 1)


def _kept(costs: EntryCosts, number: int, start: int, limit: float, held: Option | None) -> Kept:
    """Members that are in some combination of at most `limit`, and those of `held`."""
    entry = costs.entry
    devices: dict[int, None] = {}
    rooms: dict[int, None] = {}
    operators: dict[int, None] = {}
    for choice in np.flatnonzero(costs.devices[:, start] <= limit).tolist():
        slack = limit - float(costs.devices[choice, start])
        devices[choice] = None
        listed = entry.devices[choice].rooms
        rooms |= dict.fromkeys(_near(costs.rooms[:, start], listed, slack))
        crew = entry.operators_at(choice, start)
        operators |= dict.fromkeys(_near(costs.operators[:, start], crew, slack))
    if held is not None:
        devices[held.devices] = rooms[held.room] = operators[held.operator] = None
    return Kept(
        number, start, tuple(sorted(devices)), tuple(sorted(rooms)), tuple(sorted(operators))
    )


def _near(prices: Floats, members: tuple[int, ...] | list[int], slack: float) -> list[int]:
    """Those that cost at most `slack` more than the cheapest of them."""
    most = min(float(prices[one]) for one in members) + slack
    return [one for one in members if prices[one] <= most]
