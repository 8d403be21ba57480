"""CP-SAT on a task: a plan, what is proven, and what it took. The same for the same seed."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from ortools.sat.python import cp_model

from courses.replan.answer import Statistics
from courses.replan.board import Plan
from courses.replan.effort import Clock
from courses.replan.model import Model, Task

OnPlan = Callable[[Plan], None]


@dataclass(frozen=True, slots=True)
class Solved:
    """`plan` is None when none was found. No solution of the task has an objective below `least`.

    The objective counts points, fines and the worst delay beyond what the task says is waited.
    """

    plan: Plan | None
    least: int
    proven: bool


@dataclass(slots=True, eq=False)
class Workbench:
    """Runs the solver and adds up what it took."""

    seed: int
    clock: Clock
    statistics: Statistics = field(default_factory=Statistics)

    def solve(self, task: Task, *, seconds: float, on_plan: OnPlan | None = None) -> Solved:
        """Solve a task for at most so many deterministic seconds.

        One worker: with several, which of them comes first depends on the machine. The linear
        relaxation is worth more here than any other setting.
        """
        model = Model.of(task)
        solver = cp_model.CpSolver()
        solver.parameters.random_seed = self.seed
        solver.parameters.num_workers = 1
        solver.parameters.linearization_level = 2
        solver.parameters.max_deterministic_time = seconds
        solver.parameters.max_time_in_seconds = max(self.clock.left, 0.01)
        status = solver.solve(model.cp, _Report(model, on_plan) if on_plan else None)
        self._count(model, solver)
        found = status in {cp_model.OPTIMAL, cp_model.FEASIBLE}
        if not found or status == cp_model.FEASIBLE:
            self.clock.running()
        return Solved(
            plan=model.plan_from(solver) if found else None,
            least=round(solver.best_objective_bound),
            proven=status in {cp_model.OPTIMAL, cp_model.INFEASIBLE},
        )

    def _count(self, model: Model, solver: cp_model.CpSolver) -> None:
        before = self.statistics
        took = solver.response_proto.deterministic_time
        self.statistics = replace(
            before,
            solves=before.solves + 1,
            largest_model=max(before.largest_model, model.size),
            branches=before.branches + solver.num_branches,
            conflicts=before.conflicts + solver.num_conflicts,
            deterministic_seconds=before.deterministic_seconds + took,
        )


class _Report(cp_model.CpSolverSolutionCallback):
    """Hands every better plan on."""

    def __init__(self, model: Model, on_plan: OnPlan) -> None:
        super().__init__()
        self._model, self._on_plan = model, on_plan

    def on_solution_callback(self) -> None:
        """Called by the solver."""
        self._on_plan(self._model.plan_from(self))
