"""Which part of a plan to plan afresh next: whoever is around one who pays much too much."""

from dataclasses import dataclass, field
from random import Random

from courses.replan.board import Board, Plan
from courses.replan.dual import Bound
from courses.replan.pricing import Option
from courses.slots import CELLS_PER_DAY

VISITED = 1.5
SHAKE = (0.7, 1.3)


@dataclass(slots=True, eq=False)
class Parts:
    """Chooses parts; remembers who was in one, and comes to others before it comes back."""

    board: Board
    chance: Random
    _visits: dict[int, int] = field(default_factory=dict)

    def next(self, plan: Plan, bound: Bound, *, size: int) -> list[int]:
        """Positions of at most `size` appointments; the same for the same seed and plans."""
        seed = self._seed(plan, bound)
        near = {at: self._distance(at, seed, plan, bound) for at in self.board.open}
        part = sorted(
            (at for at, distance in near.items() if distance is not None),
            key=lambda at: (near[at], at),
        )[:size]
        for at in part:
            self._visits[at] = self._visits.get(at, 0) + 1
        return part

    def _seed(self, plan: Plan, bound: Bound) -> int:
        """The one who most exceeds the cheapest option, or has none; visits make less likely."""
        tariff = bound.tariff()
        excess = {at: bound.excess(at, option, tariff) for at, option in self.board.placed(plan)}
        missing = 1 + 2 * max(excess.values(), default=0.0)

        def pull(at: int) -> float:
            visits = (1 + self._visits.get(at, 0)) ** VISITED
            return float((1 + excess.get(at, missing)) / visits * self.chance.uniform(*SHAKE))

        pulls = {at: pull(at) for at in self.board.open}
        return max(pulls, key=pulls.__getitem__)

    def _distance(self, at: int, seed: int, plan: Plan, bound: Bound) -> int | None:
        """Cells between two appointments, where they are and where the seed would like to be.

        A day more for one that is at another clinic; None for one that cannot be at any of these.
        """
        places = [
            self._place(seed, option)
            for option in (plan[seed], bound.choices[seed].option)
            if option
        ]
        clinics = {clinic for clinic, _ in places}
        entries = self.board.menus[at].entries
        if not any(entry.clinic.id in clinics for entry in entries):
            return None
        clinic, cell = self._place(at, plan[at] or bound.choices[at].option)
        away = 0 if clinic in clinics else CELLS_PER_DAY
        return away + min(abs(cell - other) for _, other in places)

    def _place(self, at: int, option: Option) -> tuple[int, int]:
        entry = self.board.menus[at].entries[option.entry]
        return entry.clinic.id, int(entry.cells[option.start])
