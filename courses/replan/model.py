"""The CP-SAT model of a re-plan, over a pool of options.

For each start in the pool there is a literal, and with it one literal per room, operator and set
of devices that stays. Exactly one start of an appointment is true, or the literal that leaves it
out. Whoever and whatever a true literal stands for is busy in the segments of its role.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from ortools.sat.python import cp_model

from courses.replan.board import Board, Plan
from courses.replan.intervals import Diary
from courses.replan.pool import Kept, Pool
from courses.replan.pricing import Option
from courses.vocabulary import TreatmentRole

Solution = cp_model.CpSolver | cp_model.CpSolverSolutionCallback
Lits = dict[int, cp_model.IntVar]


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """What the model decides: new options for those in `pool`; everyone else is as in `plan`.

    Options in the pool do not collide with those who stay. At most `may_miss` are left out, at
    `fine` points each. `waited`: a worst delay (days) that is there anyway and counts nothing.
    """

    board: Board
    plan: Plan
    pool: Pool
    may_miss: int
    fine: int
    waited: int


@dataclass(frozen=True, slots=True, eq=False)
class _Choice:
    """One start of one appointment: its literal, and those of its members."""

    at: int
    kept: Kept
    lit: cp_model.IntVar
    devices: Lits
    rooms: Lits
    operators: Lits


@dataclass(slots=True, eq=False)
class Model:
    """The model of a task, and how to read a plan out of its solutions."""

    task: Task
    diary: Diary = field(default_factory=Diary)
    _choices: list[_Choice] = field(default_factory=list)
    _missing: list[cp_model.IntVar] = field(default_factory=list)
    _costs: list[tuple[cp_model.IntVar, int]] = field(default_factory=list)

    @classmethod
    def of(cls, task: Task) -> "Model":
        """Build everything; the plan of the task is the hint."""
        model = cls(task)
        for at, kept in task.pool.items():
            model._appointment(at, kept)
        if task.may_miss:
            model.cp.add(sum(model._missing) <= task.may_miss)
        model._keep_distance()
        model._worst_delay()
        model.diary.close()
        model.cp.minimize(sum(cost * lit for lit, cost in model._costs))
        return model

    @property
    def cp(self) -> cp_model.CpModel:
        """The CP-SAT model."""
        return self.diary.model

    @property
    def size(self) -> int:
        """How many literals there are."""
        return len(self.cp.proto.variables)

    def plan_from(self, solution: Solution) -> Plan:
        """The task's plan with what the solver chose."""
        plan = list(self.task.plan)
        for at in self.task.pool:
            plan[at] = None
        for choice in self._choices:
            if solution.boolean_value(choice.lit):
                plan[choice.at] = Option(
                    choice.kept.entry,
                    choice.kept.start,
                    _true(solution, choice.devices),
                    _true(solution, choice.rooms),
                    _true(solution, choice.operators),
                )
        return plan

    def _lit(self, *, held: bool, cost: int = 0) -> cp_model.IntVar:
        """A new literal, with its cost when true; `held`: whether it is true in the hint."""
        lit = self.cp.new_bool_var("")
        self.cp.add_hint(lit, held)
        if cost:
            self._costs.append((lit, cost))
        return lit

    def _appointment(self, at: int, pool: Iterable[Kept]) -> None:
        """Exactly one start, or none."""
        mine = self.task.plan[at]
        lits = []
        if self.task.may_miss:
            lits.append(self._lit(held=mine is None, cost=self.task.fine))
            self._missing += lits
        for kept in pool:
            here = mine is not None and (mine.entry, mine.start) == (kept.entry, kept.start)
            lits.append(self._start(at, kept, mine if here else None))
        self.cp.add_exactly_one(lits)

    def _start(self, at: int, kept: Kept, mine: Option | None) -> cp_model.IntVar:
        entry = self.task.board.menus[at].entries[kept.entry]
        lit = self._lit(held=mine is not None, cost=int(entry.points[kept.start]))
        held = (mine.devices, mine.room, mine.operator) if mine else (None, None, None)
        choice = _Choice(
            at,
            kept,
            lit,
            self._members(lit, {one: entry.devices[one].points for one in kept.devices}, held[0]),
            self._members(lit, dict.fromkeys(kept.rooms, 0), held[1]),
            self._members(
                lit, {one: int(entry.operator_points[one]) for one in kept.operators}, held[2]
            ),
        )
        self._choices.append(choice)
        self._fit_together(choice)
        self._keep_busy(choice, mine)
        return lit

    def _members(self, lit: cp_model.IntVar, costs: Mapping[int, int], held: int | None) -> Lits:
        """One literal per member, exactly one of them true when `lit` is; a single one is `lit`."""
        if len(costs) == 1:
            self._costs += [(lit, cost) for cost in costs.values() if cost]
            return dict.fromkeys(costs, lit)
        lits = {one: self._lit(held=one == held, cost=cost) for one, cost in costs.items()}
        self.cp.add_exactly_one([*lits.values(), lit.negated()])
        return lits

    def _fit_together(self, choice: _Choice) -> None:
        """Rooms and operators fit the devices chosen."""
        entry = self.task.board.menus[choice.at].entries[choice.kept.entry]
        for number, lit in choice.devices.items():
            fitting = (
                (choice.rooms, entry.devices[number].rooms),
                (choice.operators, entry.operators_at(number, choice.kept.start)),
            )
            for lits, fit in fitting:
                if not lits.keys() <= set(fit):
                    self.cp.add_bool_or([*(lits[one] for one in lits if one in fit), ~lit])

    def _keep_busy(self, choice: _Choice, mine: Option | None) -> None:
        """Everyone and everything, in the segments of its role."""
        entry = self.task.board.menus[choice.at].entries[choice.kept.entry]
        busy = [
            *((TreatmentRole.ROOM, one, lit) for one, lit in choice.rooms.items()),
            *((TreatmentRole.OPERATOR, one, lit) for one, lit in choice.operators.items()),
            *self._devices_busy(choice, mine),
        ]
        if len(entry.rows[TreatmentRole.PATIENT]):
            busy.append((TreatmentRole.PATIENT, 0, choice.lit))
        mark = int(entry.marks[choice.kept.start])
        for role, member, lit in busy:
            row = int(entry.rows[role][member])
            for begin, end in entry.parts[role]:
                self.diary.keep(row, begin=mark + begin, end=mark + end, when=lit)

    def _devices_busy(
        self, choice: _Choice, mine: Option | None
    ) -> list[tuple[TreatmentRole, int, cp_model.IntVar]]:
        """Lasers and handpieces; one that is in several sets gets a literal that stands for any."""
        entry = self.task.board.menus[choice.at].entries[choice.kept.entry]
        used: dict[tuple[TreatmentRole, int], list[int]] = {}
        for number in choice.devices:
            option = entry.devices[number].option
            used.setdefault((TreatmentRole.LASER, option.laser), []).append(number)
            for tip in option.handpieces:
                used.setdefault((TreatmentRole.HANDPIECE, tip), []).append(number)
        shared: dict[tuple[int, ...], cp_model.IntVar] = {}
        for numbers in map(tuple, used.values()):
            if numbers not in shared:
                lits = [choice.devices[number] for number in numbers]
                held = mine is not None and mine.devices in numbers
                shared[numbers] = lits[0] if len(lits) == 1 else self._any_of(lits, held=held)
        return [(role, one, shared[tuple(numbers)]) for (role, one), numbers in used.items()]

    def _any_of(self, lits: list[cp_model.IntVar], *, held: bool) -> cp_model.IntVar:
        """A literal that is true when one of `lits` is, of which at most one is."""
        either = self._lit(held=held)
        self.cp.add_exactly_one([*lits, ~either])
        return either

    def _worst_delay(self) -> None:
        """One literal per step of the worst delay beyond what is waited anyway."""
        board, weight = self.task.board, self.task.board.policy.worst_delay
        delays = [self._delay(choice) for choice in self._choices]
        steps = sorted({delay for delay in delays if delay > self.task.waited})
        if not weight or not steps:
            return
        worst = board.worst_delay(self.task.plan)
        lits: Lits = {}
        before = self.task.waited
        for delay in steps:
            lits[delay] = self._lit(held=worst >= delay, cost=weight * (delay - before))
            if before in lits:
                self.cp.add_implication(lits[delay], lits[before])
            before = delay
        for choice, delay in zip(self._choices, delays, strict=True):
            if delay in lits:
                self.cp.add_implication(choice.lit, lits[delay])

    def _delay(self, choice: _Choice) -> int:
        entry = self.task.board.menus[choice.at].entries[choice.kept.entry]
        return int(entry.delay[choice.kept.start])

    def _keep_distance(self) -> None:
        """Followers come late enough after those they follow, when both are placed."""
        for gap in self.task.board.gaps:
            earlier, later = self._by_day(gap.earlier), self._by_day(gap.later)
            for first, firsts in earlier.items():
                close = [
                    lit for day, lits in later.items() if day < first + gap.days for lit in lits
                ]
                for lit in firsts:
                    for other in close:
                        self.cp.add_implication(lit, ~other)

    def _by_day(self, at: int) -> dict[int, list[cp_model.IntVar]]:
        """Literals of an appointment's starts by local day."""
        days: dict[int, list[cp_model.IntVar]] = {}
        for choice in self._choices:
            if choice.at == at:
                entry = self.task.board.menus[at].entries[choice.kept.entry]
                days.setdefault(int(entry.days[choice.kept.start]), []).append(choice.lit)
        return days


def _true(solution: Solution, lits: Lits) -> int:
    return next(one for one, lit in lits.items() if solution.boolean_value(lit))
