"""The re-plan: greedy first, then prices, parts planned afresh, and proof."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import ceil
from random import Random

from courses.replan.answer import Placement, Progress, ReplanAnswer, Statistics, Status, Step
from courses.replan.board import Board, Plan, Score
from courses.replan.checks import check_effort, check_problem
from courses.replan.dual import Allowance, Ascent, Bound
from courses.replan.effort import DEFAULT_EFFORT, Clock, Effort
from courses.replan.greedy import Rule, fill, greedy, take
from courses.replan.model import Task
from courses.replan.parts import Parts
from courses.replan.pool import MenuCosts, most_within, starts_within
from courses.replan.pricing import UNIT
from courses.replan.problem import ReplanProblem
from courses.replan.relaxation import Ask, Relaxation, Relaxed
from courses.replan.solver import Workbench
from courses.replan.warm import warm_plan
from courses.replan.why import placement, unplaced

OnProgress = Callable[[Progress], None]
CYCLES = 3
# Relaxations solved for the number of those left out; a second is rarely needed.
WIDENINGS = 6
# Share of the time left that one relaxation may take.
RELAXING = 0.5
SHARES = (1.0, 0.95, 0.9, 0.8, 0.6)
# A part's pool holds options up to so many points above the cheapest.
PART_POINTS = 30
# A pool of all appointments is of use when it reaches so many points above the cheapest.
WORTH_A_LOOK = 3
POOLS = (0.05, 0.15, 0.4, 1.0)
# Parts planned afresh in a row without gain, after which it is time for better prices.
ENOUGH = 5


def replan(
    problem: ReplanProblem,
    *,
    effort: Effort = DEFAULT_EFFORT,
    former: Iterable[Placement] = (),
    on_progress: OnProgress = lambda _: None,
) -> ReplanAnswer:
    """New slots for all displaced appointments together.

    `former`: placements of an earlier answer, from which to start. The same problem, effort and
    former placements give the same answer unless the clock cuts it short. Raises BadReplan, and
    BadRequest for a request that cannot be searched.
    """
    check_problem(problem)
    check_effort(effort)
    run = _Run(problem, effort, on_progress)
    run.begin(former)
    if run.board.open:
        run.count()
        run.improve()
    return run.answer()


@dataclass(slots=True, eq=False)
class _Run:
    """One re-plan under way: the best plan so far, and what is proven about all plans.

    `fewest`: no plan leaves fewer out. `least`: no plan that leaves at most as many out as the
    best one has fewer points.
    """

    problem: ReplanProblem
    effort: Effort
    on_progress: OnProgress
    clock: Clock = field(init=False)
    bench: Workbench = field(init=False)
    board: Board = field(init=False)
    plan: Plan = field(init=False)
    score: Score = field(init=False)
    peer: Score = field(init=False)
    parts: Parts = field(init=False)
    relaxation: Relaxation = field(init=False)
    counted: Bound | None = None
    fewest: int = 0
    least: int = 0
    rounds: int = 0
    planned_afresh: int = 0

    def begin(self, former: Iterable[Placement]) -> None:
        """Menus, and the best plan that is to be had without looking back."""
        self.clock = Clock.of(self.effort)
        self.bench = Workbench(self.effort.seed, self.clock)
        self.on_progress(Progress(Step.MENUS, 0.0))
        self.board = Board.of(self.problem)
        self.parts = Parts(self.board, Random(self.effort.seed))  # noqa: S311 - no secret
        self.plan = greedy(self.board, rule=Rule.FIRST_FIT)
        self.score = self.peer = self.board.score(self.plan)
        self._accept(greedy(self.board, rule=Rule.BEST_FIT))
        known = list(former)
        if known:
            self._accept(warm_plan(self.board, known))
        self.relaxation = Relaxation.of(self.board, self.plan)
        self._tell(Step.GREEDY)

    def count(self) -> None:
        """How many must be left out at least, as far as the linear relaxation tells."""
        if not self.score.unplaced:
            return
        ascent = Ascent(self.board, unit=0, allowance=Allowance(fine=UNIT))
        for _ in range(WIDENINGS):
            relaxed = self._relax(Ask(unit=0, free=0, fine=UNIT))
            bound = ascent.start(relaxed.prices)
            self.fewest = max(self.fewest, -(-bound.value // UNIT))
            self._tell(Step.PLACING)
            hoped = min(self.score.unplaced, ceil(relaxed.worth / UNIT - 0.001))
            if self.fewest >= hoped or not self.clock.running():
                break
            if not self.relaxation.widen(relaxed, bound.tariff()):
                break
        self.counted = ascent.bound()

    def improve(self) -> None:
        """As many as possible, then fewest points, until proven or the effort is spent."""
        ascent = Ascent(self.board, allowance=Allowance(free=self.fewest))
        if self.relaxation.is_small:
            ask = Ask(unit=UNIT, free=self.fewest, fine=UNIT * self._fine())
            ascent.start(self._relax(ask).prices)
        for cycle in range(CYCLES):
            bound = self._climb(ascent)
            if cycle == 0:
                self._fill(bound)
            self._search(bound)
            ascent.allow(Allowance(free=self.score.unplaced))
            bound = ascent.bound()
            self._learn(self._points_proven(bound))
            self._prove_least(bound)
            if self._is_good() or not self.clock.running():
                break

    def answer(self) -> ReplanAnswer:
        """The best plan, spelled out."""
        if not self.board.is_sound(self.plan):
            raise RuntimeError("a re-plan booked something twice")
        optimal = self._all_placed() and self._is_optimal()
        return ReplanAnswer(
            status=Status.OPTIMAL if optimal else Status.FEASIBLE,
            placements=tuple(
                placement(self.board, at, option) for at, option in self.board.placed(self.plan)
            ),
            unplaced=unplaced(self.board, self.plan),
            points=self.score.points,
            least_points=min(self.least, self.score.points),
            fewest_unplaced=self.fewest + len(self.board.menus) - len(self.board.open),
            worst_delay_days=self.board.worst_delay(self.plan),
            statistics=self._statistics(),
        )

    def _relax(self, ask: Ask) -> Relaxed:
        seconds = self.clock.left * RELAXING
        relaxed = self.relaxation.solve(ask, work=self.effort.prices_seconds, seconds=seconds)
        self.clock.cut_short |= relaxed.clocked
        return relaxed

    def _climb(self, ascent: Ascent) -> Bound:
        before = ascent.rounds
        target = (self.score.points - self._base()) * UNIT
        rounds = self.effort.rounds
        bound = ascent.climb(rounds, target=target, keep_going=self.clock.running)
        self.rounds += ascent.rounds - before
        self._tell(Step.PRICES)
        return bound

    def _search(self, bound: Bound) -> None:
        """A better plan by parts or as a whole, and whether as many as can be are placed."""
        if self._all_placed():
            self._learn(self._points_proven(bound))
        if self._in_parts():
            self._afresh(bound)
        if not self._all_placed():
            self._place_more(bound)
        if not self._all_placed():
            self._prove_fewest()

    def _fill(self, bound: Bound) -> None:
        """One after the other by prices: the dearest first, or the cheapest."""
        dearest = sorted(bound.choices, key=lambda at: (-bound.choices[at].cost, at))
        for share in SHARES:
            for order in (dearest, dearest[::-1]):
                if self.clock.running():
                    tariff = replace(bound.tariff(share), unit=UNIT)
                    self._accept(fill(self.board, self._nobody(), order=order, tariff=tariff))

    def _afresh(self, bound: Bound) -> None:
        """Parts of the plan, each solved with everyone else where they are."""
        count = min(self.effort.neighbourhoods, 4 * len(self.board.open) // self.effort.size)
        idle = 0
        for _ in range(count):
            if idle == ENOUGH or self._is_good() or not self.clock.running():
                return
            before = self.score
            part = self.parts.next(self.plan, bound, size=self.effort.size)
            self._plan_part(part, bound)
            self.planned_afresh += 1
            idle = 0 if self.score < before else idle + 1
            self._tell(Step.NEIGHBOURHOODS)

    def _plan_part(self, part: list[int], bound: Bound) -> None:
        rest = [None if at in set(part) else option for at, option in enumerate(self.plan)]
        tariff = bound.tariff()
        for at, option in self.board.placed(rest):
            take(self.board, at, option, tariff)
        waited = self.board.worst_delay(rest)
        costs = {
            at: MenuCosts.of(
                self.board, at, tariff, waited=waited, days=self.board.days_for(at, rest)
            )
            for at in part
        }
        within = min(PART_POINTS * UNIT, most_within(costs, self.effort.largest_pool))
        task = Task(
            board=self.board,
            plan=self.plan,
            pool={at: one.keep(within, held=self.plan[at]) for at, one in costs.items()},
            may_miss=sum(self.plan[at] is None for at in part),
            fine=self._fine(),
            waited=waited,
        )
        solved = self.bench.solve(task, seconds=self.effort.part_seconds)
        if solved.plan is not None:
            self._accept(solved.plan)

    def _place_more(self, bound: Bound) -> None:
        """Everyone at once, over the cheapest options of each."""
        costs = self._costs(bound, waited=0)
        within = most_within(costs, self.effort.largest_pool // 2)
        if within >= WORTH_A_LOOK * UNIT:
            self._solve_all(costs, within, waited=0, fine=self._fine())

    def _prove_fewest(self) -> None:
        """Look through all options of plans that place one more, if they are not too many."""
        if self.counted is None or not self.clock.running():
            return
        costs = self._costs(self.counted, waited=0)
        within = (self.score.unplaced - 1) * UNIT - self.counted.value
        if within < 0 or starts_within(costs, within) > self.effort.largest_pool:
            return
        solved = self._solve_all(costs, within, waited=0, fine=self._fine())
        self.fewest = max(self.fewest, min(self.score.unplaced, solved // self._fine()))

    def _prove_least(self, bound: Bound) -> None:
        """Look through the cheapest options, then more, in the end all those of better plans.

        Small pools are soon looked through, and a better plan has fewer options worth a look.
        """
        for share in POOLS:
            left_out, waited, base = self.score.unplaced, self._waited(), self._base()
            costs = self._costs(bound, waited=waited)
            needed = (self.score.points - base - 1) * UNIT - bound.value
            within = min(needed, most_within(costs, int(self.effort.largest_pool * share)))
            whole = within == needed
            if not whole and within < WORTH_A_LOOK * UNIT:
                continue
            least = self._solve_all(costs, within, waited=waited, fine=0)
            if not whole:
                least = min(least, -(-(bound.value + int(within)) // UNIT))
            if self.score.unplaced == left_out:
                self._learn(base + least)
            if whole or self._is_good() or not self.clock.running():
                break

    def _solve_all(
        self, costs: Mapping[int, MenuCosts], within: float, *, waited: int, fine: int
    ) -> int:
        """Everyone at once, over a pool; what is proven about the objective."""
        task = Task(
            board=self.board,
            plan=self.plan,
            pool={at: one.keep(within, held=self.plan[at]) for at, one in costs.items()},
            may_miss=self.score.unplaced,
            fine=fine,
            waited=waited,
        )
        solved = self.bench.solve(
            task, seconds=self.effort.proof_seconds, on_plan=self._accept_and_tell
        )
        if solved.plan is not None:
            self._accept(solved.plan)
        return solved.least

    def _costs(self, bound: Bound, *, waited: int) -> dict[int, MenuCosts]:
        tariff = bound.tariff()
        return {at: MenuCosts.of(self.board, at, tariff, waited=waited) for at in self.board.open}

    def _learn(self, least: int) -> None:
        """No plan that leaves as many out as the best one has fewer points."""
        self.least = max(self.least, least)
        self._tell(Step.PROOF)

    def _accept(self, plan: Plan) -> None:
        score = self.board.score(plan)
        if score < self.score:
            if score.unplaced < self.score.unplaced:
                self.least = 0
            self.plan, self.score = plan, score

    def _accept_and_tell(self, plan: Plan) -> None:
        self._accept(plan)
        self._tell(Step.PROOF)

    def _nobody(self) -> Plan:
        return [None] * len(self.board.menus)

    def _in_parts(self) -> bool:
        return len(self.board.open) > self.effort.size

    def _all_placed(self) -> bool:
        return self.score.unplaced <= self.fewest

    def _is_good(self) -> bool:
        """Whether the plan is optimal or, when there are many, so close that it is enough."""
        enough = self.effort.enough if self._in_parts() else 0.0
        good = self.score.points - self.least <= enough * self.score.points
        return good and self._all_placed()

    def _is_optimal(self) -> bool:
        return self.score.points <= self.least

    def _waited(self) -> int:
        """Days that someone waits in every plan that leaves no more out."""
        return self.board.least_delays()[self.score.unplaced]

    def _base(self) -> int:
        return self.board.policy.worst_delay * self._waited()

    def _points_proven(self, bound: Bound) -> int:
        return self._base() - (-bound.value // UNIT)

    def _fine(self) -> int:
        """More than the points of any plan."""
        return 1 + self.board.most_points()

    def _tell(self, step: Step) -> None:
        self.on_progress(
            Progress(
                step=step,
                seconds=self.clock.elapsed,
                placed=sum(option is not None for option in self.plan),
                unplaced=sum(option is None for option in self.plan),
                points=self.score.points,
                least_points=min(self.least, self.score.points),
            )
        )

    def _statistics(self) -> Statistics:
        closed = len(self.board.menus) - len(self.board.open)
        return replace(
            self.bench.statistics,
            starts=sum(menu.starts for menu in self.board.menus),
            price_rounds=self.rounds,
            neighbourhoods=self.planned_afresh,
            seconds=self.clock.elapsed,
            greedy_unplaced=self.peer.unplaced + closed,
            greedy_points=self.peer.points,
            cut_short=self.clock.cut_short,
        )
