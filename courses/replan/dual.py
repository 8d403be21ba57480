"""A lower bound for every plan, from prices on the time of resources.

Let each appointment take its cheapest option at given prices, without regard to the others, and
subtract the price of all time on offer. For any prices that are zero or more the sum is never
above the worth of any plan (weak Lagrangian duality; M. L. Fisher, Management Science 27 (1981)
1-18). Prices rise where more than one appointment takes a mark and fall where none does, by
steps towards the worth of the best plan known (Held, Wolfe, Crowder, Mathematical Programming 6
(1974) 62-88), deflected by the steps before (Camerini, Fratta, Maffioli, Mathematical
Programming Study 3 (1975) 26-34). Prices end as whole thousandths, so the bound is exact.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from courses.replan.board import Board
from courses.replan.pricing import UNIT, Floats, Option, Priced, Tariff, cheapest, option_points

# From nothing, and from prices that are good already.
FIRST_STEP = 2.0
NEXT_STEP = 0.3
SMALLEST_STEP = 0.002
SHRINK = 0.6
MEMORY = 0.9
PATIENCE = 5
WORTH_WAITING = 1e-4
# Towards a near target steps would become too small to get away from where prices are stuck.
LEAST_MISSING = 0.2


@dataclass(frozen=True, slots=True)
class Allowance:
    """How plans that leave someone out are counted.

    `free`: so many may be left out for nothing. `fine`: what each beyond them costs, in
    thousandths of a point (None: not allowed).
    """

    free: int = 0
    fine: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Bound:
    """No plan within the allowance is worth less than `value`, without the worst delay.

    `value` and `prices` (resources x marks) are whole thousandths of a point; `unit` is the cost
    of a point. `choices`: the cheapest option of each open appointment at these prices.
    """

    board: Board
    value: int
    unit: int
    prices: Floats
    choices: dict[int, Priced]

    def tariff(self, share: float = 1.0) -> Tariff:
        """The prices, or a share of them, as a fresh tariff."""
        return Tariff.of(np.round(self.prices * share), unit=self.unit)

    def excess(self, at: int, option: Option, tariff: Tariff) -> float:
        """How much more an option costs than the cheapest of its appointment."""
        cost = float(option_points(self.board.menus[at], option) * self.unit)
        for row, begin, end in self.board.uses(at, option):
            cost += tariff.sums[row, end] - tariff.sums[row, begin]
        return cost - self.choices[at].cost


@dataclass(slots=True, eq=False)
class Ascent:
    """The search for prices; can be taken up again when a better plan is known."""

    board: Board
    unit: int = UNIT
    allowance: Allowance = field(default_factory=Allowance)
    rounds: int = 0
    step: float = FIRST_STEP
    _priced: npt.NDArray[np.intp] = field(init=False)
    _prices: Floats = field(init=False)
    _push: Floats = field(init=False)
    _best: Floats = field(init=False)
    _value: float = -np.inf
    _waited: int = 0

    def __post_init__(self) -> None:
        self._priced = np.flatnonzero(_begins(self.board))
        self._prices = np.zeros(len(self._priced))
        self._push = np.zeros(len(self._priced))
        self._best = self._prices

    def start(self, prices: Floats) -> Bound:
        """Go on from these prices (resources x marks); what they prove."""
        self._prices = np.round(prices.reshape(-1)[self._priced])
        self._push = np.zeros(len(self._priced))
        self.step = NEXT_STEP
        bound = self._bound_at(self._prices)
        if bound.value > self._value:
            self._value, self._best = bound.value, self._prices
        return bound

    def bound(self) -> Bound:
        """What the best prices so far prove."""
        return self._bound_at(np.round(self._best))

    def allow(self, allowance: Allowance) -> None:
        """Count those left out in another way; prices stay."""
        if allowance != self.allowance:
            self.allowance, self._value = allowance, -np.inf

    def climb(
        self, rounds: int, *, target: int, keep_going: Callable[[], bool] = lambda: True
    ) -> Bound:
        """At most so many rounds towards `target`, the worth of the best plan (thousandths).

        Stops before when the bound is within a point of the target, steps are too small, or
        `keep_going` says so.
        """
        for _ in range(rounds):
            if self.step < SMALLEST_STEP or not keep_going():
                break
            value, over, _ = self._look(self._prices)
            self.rounds += 1
            self._waited = (
                0 if value > self._value + WORTH_WAITING * abs(self._value) else (self._waited + 1)
            )
            if value > self._value:
                self._value, self._best = value, self._prices
            if target - self._value < UNIT or not over.any():
                break
            if self._waited >= PATIENCE:
                self.step, self._waited = self.step * SHRINK, 0
            missing = max(target - value, LEAST_MISSING * abs(value), UNIT)
            self._move(over, self.step * missing)
        return self.bound()

    def _bound_at(self, prices: Floats) -> Bound:
        value, _, choices = self._look(prices)
        return Bound(self.board, round(value), self.unit, self._dense(prices), choices)

    def _dense(self, prices: Floats) -> Floats:
        dense = self.board.free_prices()
        dense.reshape(-1)[self._priced] = prices
        return dense

    def _look(self, prices: Floats) -> tuple[float, Floats, dict[int, Priced]]:
        """The bound, how often each priced mark is wanted beyond once, and who chose what.

        A mark that is free and costs nothing counts 0.
        """
        tariff = Tariff.of(self._dense(prices), unit=self.unit)
        found = {at: cheapest(self.board.menus[at], tariff) for at in self.board.open}
        choices = {at: priced for at, priced in found.items() if priced is not None}
        kept, charge = self._count(choices)
        wanted = self.board.free_prices()
        for at in kept:
            for row, begin, end in self.board.uses(at, choices[at].option):
                wanted[row, begin:end] += 1
        over = wanted.reshape(-1)[self._priced] - 1
        over[(prices <= 0) & (over < 0)] = 0
        value = sum(choices[at].cost for at in kept) + charge - float(prices.sum())
        return value, over, choices

    def _count(self, choices: dict[int, Priced]) -> tuple[list[int], int]:
        """Who is placed in the bound, and the fines for those who are not."""
        dearest = sorted(choices, key=lambda at: (-choices[at].cost, at))[self.allowance.free :]
        fine = self.allowance.fine
        if fine is None:
            return sorted(dearest), 0
        kept = sorted(at for at in dearest if choices[at].cost <= fine)
        return kept, fine * (len(dearest) - len(kept))

    def _move(self, over: Floats, missing: float) -> None:
        """One step; `missing` is the step size times what is missing to the target."""
        self._push = over + MEMORY * self._push
        self._push[(self._prices <= 0) & (self._push < 0)] = 0
        length = missing * (1 - MEMORY) / float(np.square(over).sum())
        self._prices = np.maximum(self._prices + length * self._push, 0)


def _begins(board: Board) -> npt.NDArray[np.bool_]:
    """Marks at which some use of a resource may begin; resources x marks.

    Two uses overlap only if one covers the mark at which the other begins, so prices elsewhere
    would add nothing.
    """
    begins = np.zeros((len(board.resources.of), board.marks), dtype=np.bool_)
    for menu in board.menus:
        for entry in menu.entries:
            for role, rows in entry.rows.items():
                for begin, _ in entry.parts[role]:
                    begins[np.ix_(rows, np.unique(entry.marks + begin))] = True
    return begins
