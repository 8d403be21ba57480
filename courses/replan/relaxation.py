"""Prices from the linear relaxation: appointments may take parts of several options.

A few of the cheapest starts of each appointment are enough to begin with; `widen` adds those that
would lower the worth of the relaxation at the prices found (column generation). Prices are those
of a dual solution. What they prove about all plans, with starts that are not in the pool too, is
worked out elsewhere, so nothing depends on the pool or on the solver's rounding.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from ortools.linear_solver.python.model_builder_helper import (
    ModelBuilderHelper,
    ModelSolverHelper,
    SolveStatus,
)

from courses.replan.board import Board, Plan
from courses.replan.matrix import Matrix
from courses.replan.menu import Entry
from courses.replan.points import Ints
from courses.replan.pool import MenuCosts
from courses.replan.pricing import Floats, Tariff
from courses.slots.grid import BoolArray
from courses.vocabulary import TreatmentRole

# Cheapest starts of an appointment that are in the pool from the beginning.
FIRST_STARTS = 30
# So many starts of all appointments together need no choice.
ALL_STARTS = 12_000
MOST_STARTS = 100_000
MOST_ADDED = 20
FOREVER = 10**6
Members = tuple[Ints, Ints, Ints]


@dataclass(frozen=True, slots=True, eq=False)
class Relaxed:
    """A solved relaxation. `worth`: objective; `share`: of each open appointment, its dual value.

    `clocked`: the wall clock ended it, and prices are as good as they were by then.
    """

    worth: float
    prices: Floats
    share: dict[int, float]
    clocked: bool


@dataclass(frozen=True, slots=True)
class Ask:
    """`unit`: cost of a point. Up to `free` may be left out; each more costs `fine`."""

    unit: int
    free: int
    fine: float


@dataclass(slots=True, eq=False)
class Relaxation:
    """A pool of starts: for each open appointment whether a start, entry after entry, is in."""

    board: Board
    pool: dict[int, BoolArray]

    @classmethod
    def of(cls, board: Board, plan: Plan) -> "Relaxation":
        """With the cheapest starts, and those of a plan."""
        every = sum(menu.starts for menu in board.menus) <= ALL_STARTS
        pool = {}
        for at in board.open:
            points = np.concatenate([entry.points for entry in board.menus[at].entries])
            pool[at] = np.full(len(points), every)
            pool[at][np.argsort(points, kind="stable")[:FIRST_STARTS]] = True
            option = plan[at]
            if option is not None:
                before = board.menus[at].entries[: option.entry]
                pool[at][sum(len(entry.cells) for entry in before) + option.start] = True
        return cls(board, pool)

    @property
    def is_small(self) -> bool:
        """Whether prices for points are worth the work. With more starts, dear ones matter, too.

        Then the pool would have to grow many times, and steps from nothing prove more, sooner.
        """
        return sum(len(pool) for pool in self.pool.values()) <= MOST_STARTS

    def widen(self, relaxed: Relaxed, tariff: Tariff) -> int:
        """Add the starts that are worth most at some prices; how many."""
        added = 0
        for at in self.board.open:
            costs = MenuCosts.of(self.board, at, tariff, waited=FOREVER)
            better = costs.extra + costs.least < relaxed.share[at] - 1
            new = np.flatnonzero(better & ~self.pool[at])
            new = new[np.argsort(costs.extra[new], kind="stable")[:MOST_ADDED]]
            self.pool[at][new] = True
            added += len(new)
        return added

    def solve(self, ask: Ask, *, work: float, seconds: float) -> Relaxed:
        """Prices, within so many deterministic seconds (`work`) and seconds of wall time."""
        matrix = Matrix(self.board.marks)
        missing, own = [], {}
        for at in self.board.open:
            own[at] = matrix.row(least=1, most=1)
            missing.append(matrix.column(0))
            matrix.put(own[at], missing[-1:], 1)
            for entry, starts in self._starts(at):
                _Starts(matrix, entry, starts, ask.unit).add(own[at])
        limit = matrix.row(least=0, most=ask.free)
        matrix.put(limit, missing, 1)
        matrix.put(limit, [matrix.column(ask.fine)], -1)
        return self._solved(matrix, own, work=work, seconds=seconds)

    def _starts(self, at: int) -> Iterator[tuple[Entry, Ints]]:
        offset = 0
        for entry in self.board.menus[at].entries:
            starts = np.flatnonzero(self.pool[at][offset : offset + len(entry.cells)])
            offset += len(entry.cells)
            if len(starts):
                yield entry, starts

    def _solved(
        self, matrix: Matrix, own: dict[int, int], *, work: float, seconds: float
    ) -> Relaxed:
        model = ModelBuilderHelper()
        keys = matrix.fill(model)
        # One thread, no clock but the last resort: the same prices every time.
        solver = ModelSolverHelper("GLOP")
        solver.set_solver_specific_parameters(f"max_deterministic_time: {work}")
        solver.set_time_limit_in_seconds(max(seconds, 0.01))
        solver.solve(model)
        prices = self.board.free_prices()
        unfinished = solver.status() != SolveStatus.OPTIMAL
        clocked = unfinished and solver.wall_time() >= seconds
        if not solver.has_solution():
            return Relaxed(0.0, prices, dict.fromkeys(own, 0.0), clocked)
        duals = np.asarray(solver.dual_values())
        prices.reshape(-1)[keys] = np.maximum(-duals[len(duals) - len(keys) :], 0)
        share = {at: float(duals[row]) for at, row in own.items()}
        return Relaxed(solver.objective_value(), prices, share, clocked)


@dataclass(frozen=True, slots=True, eq=False)
class _Starts:
    """Some starts of an entry in the matrix, with one column per member that could be in each."""

    matrix: Matrix
    entry: Entry
    starts: Ints
    unit: int

    def add(self, own: int) -> None:
        """One column per start, in row `own`; exactly one room, operator and device set each."""
        entry, starts = self.entry, self.starts
        columns = self.matrix.columns(entry.points[starts] * self.unit)
        self.matrix.put(own, columns, 1)
        devices = self._members(columns, self._devices(), [one.points for one in entry.devices])
        rooms = self._members(columns, self._rooms(), np.zeros(len(entry.room_able)))
        operators = self._members(columns, self._operators(), entry.operator_points)
        self._fit(devices, rooms, [one.rooms for one in entry.devices])
        self._fit(devices, operators, [entry.staffs[one.staff].members for one in entry.devices])
        self._keep(TreatmentRole.ROOM, rooms)
        self._keep(TreatmentRole.OPERATOR, operators)
        lasers = np.array([one.option.laser for one in entry.devices])
        self._keep(TreatmentRole.LASER, (lasers[devices[0]], *devices[1:]))
        for place in range(max(len(one.option.handpieces) for one in entry.devices)):
            tips = [one.option.handpieces[place : place + 1] or (-1,) for one in entry.devices]
            tip = np.array(tips)[devices[0], 0]
            has = tip >= 0
            self._keep(TreatmentRole.HANDPIECE, (tip[has], devices[1][has], devices[2][has]))
        if len(entry.rows[TreatmentRole.PATIENT]):
            every = np.arange(len(starts))
            self._keep(TreatmentRole.PATIENT, (np.zeros_like(every), every, columns))

    def _devices(self) -> BoolArray:
        return np.array([one.able[self.starts] for one in self.entry.devices])

    def _rooms(self) -> BoolArray:
        used = sorted({room for one in self.entry.devices for room in one.rooms})
        able = np.zeros((len(self.entry.room_able), len(self.starts)), dtype=np.bool_)
        able[used] = self.entry.room_able[used][:, self.starts]
        return able

    def _operators(self) -> BoolArray:
        able = np.zeros((len(self.entry.operator_points), len(self.starts)), dtype=np.bool_)
        for staff in self.entry.staffs:
            able[list(staff.members)] |= staff.able[:, self.starts]
        return able

    def _members(self, columns: Ints, able: BoolArray, points: npt.ArrayLike) -> Members:
        """(member, number of the start, column) of each member able at a start; one is chosen."""
        members, numbers = np.nonzero(able)
        chosen = self.matrix.columns(np.asarray(points)[members] * self.unit)
        rows = self.matrix.rows(len(columns), least=0, most=0)
        self.matrix.put(rows, columns, -1)
        self.matrix.put(rows[numbers], chosen, 1)
        return members, numbers, chosen

    def _fit(self, devices: Members, others: Members, fitting: list[tuple[int, ...]]) -> None:
        """Device sets that go with few rooms (operators) are chosen no more than these are."""
        everyone = set(others[0].tolist())
        for few in sorted({one for one in fitting if not everyone <= set(one)}):
            rows = self.matrix.rows(len(self.starts), least=-np.inf, most=0)
            choices = [number for number, one in enumerate(fitting) if one == few]
            mine = np.isin(devices[0], choices)
            self.matrix.put(rows[devices[1][mine]], devices[2][mine], 1)
            mine = np.isin(others[0], few)
            self.matrix.put(rows[others[1][mine]], others[2][mine], -1)

    def _keep(self, role: TreatmentRole, members: Members) -> None:
        """Each member busy in the parts of its role."""
        member, number, columns = members
        rows, marks = self.entry.rows[role][member], self.entry.marks[self.starts[number]]
        for begin, end in self.entry.parts[role]:
            self.matrix.keep(rows, marks + begin, columns, length=end - begin)
