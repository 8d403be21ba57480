"""The board on which plans are made: menus, who must follow whom, and what a plan is worth."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from courses.replan.menu import Entry, Kitchen, Menu, ResourceRows
from courses.replan.pricing import DayRange, Floats, Option, option_points, uses
from courses.replan.problem import ReplanPolicy, ReplanProblem

Plan = list[Option | None]


@dataclass(frozen=True, slots=True, order=True)
class Score:
    """What a plan is worth, the less the better: who can be placed first, then points."""

    unplaced: int
    points: int


@dataclass(frozen=True, slots=True)
class Gap:
    """`later` is at least `days` local days after `earlier` (positions), when both are placed."""

    earlier: int
    later: int
    days: int


@dataclass(frozen=True, slots=True, eq=False)
class Board:
    """The problem as the solvers see it. Positions are those of the displaced appointments.

    `open` are the positions of those that have any option at all.
    """

    problem: ReplanProblem
    menus: tuple[Menu, ...]
    resources: ResourceRows
    gaps: tuple[Gap, ...]
    marks: int
    open: tuple[int, ...]

    @classmethod
    def of(cls, problem: ReplanProblem) -> "Board":
        """Make the menus of a checked problem."""
        kitchen = Kitchen.of(problem)
        menus = tuple(kitchen.menu(displaced) for displaced in problem.displaced)
        at = {displaced.key: position for position, displaced in enumerate(problem.displaced)}
        gaps = tuple(
            Gap(at[follows.key], at[displaced.key], follows.days)
            for displaced in problem.displaced
            for follows in displaced.follows
        )
        offered = tuple(position for position, menu in enumerate(menus) if menu.entries)
        return cls(problem, menus, kitchen.resources, gaps, kitchen.marked, offered)

    @property
    def policy(self) -> ReplanPolicy:
        """The chain's points."""
        return self.problem.policy

    def least_delays(self) -> list[int]:
        """The fewest days each open appointment must wait, longest first, and a 0 at the end.

        In a plan that leaves k of them out, someone waits at least as long as number k.
        """
        return [*sorted((self.menus[at].least_delay for at in self.open), reverse=True), 0]

    def most_points(self) -> int:
        """No plan has more."""
        most = sum(max(map(_most_points, self.menus[at].entries)) for at in self.open)
        delays = (int(entry.delay.max()) for menu in self.menus for entry in menu.entries)
        return most + self.policy.worst_delay * max(delays, default=0)

    def free_prices(self) -> Floats:
        """Zero for every resource and mark."""
        return np.zeros((len(self.resources.of), self.marks))

    def waits(self, position: int, option: Option) -> int:
        """Days after the old day."""
        return int(self.menus[position].entries[option.entry].delay[option.start])

    def day(self, position: int, option: Option) -> int:
        """The ordinal of the local day."""
        return int(self.menus[position].entries[option.entry].days[option.start])

    def placed(self, plan: Plan) -> Iterator[tuple[int, Option]]:
        """Positions with their options."""
        return ((at, option) for at, option in enumerate(plan) if option is not None)

    def worst_delay(self, plan: Plan) -> int:
        """Days of whoever waits longest after the old day."""
        return max((self.waits(at, option) for at, option in self.placed(plan)), default=0)

    def score(self, plan: Plan) -> Score:
        """Of a plan; appointments without any option do not count as unplaced."""
        points = sum(option_points(self.menus[at], option) for at, option in self.placed(plan))
        points += self.policy.worst_delay * self.worst_delay(plan)
        return Score(sum(plan[at] is None for at in self.open), points)

    def days_for(self, position: int, plan: Plan) -> DayRange:
        """On which days an appointment may be, given the others of its course in the plan."""
        first, last = DayRange().first, DayRange().last
        for gap in self.gaps:
            earlier, later = plan[gap.earlier], plan[gap.later]
            if gap.later == position and earlier is not None:
                first = max(first, self.day(gap.earlier, earlier) + gap.days)
            if gap.earlier == position and later is not None:
                last = min(last, self.day(gap.later, later) - gap.days)
        return DayRange(first, last)

    def uses(self, position: int, option: Option) -> Iterator[tuple[int, int, int]]:
        """(resource row, first mark, mark after the last) of what the option keeps busy."""
        return uses(self.menus[position], option)

    def is_sound(self, plan: Plan) -> bool:
        """Whether all are able and booked once, and every follower keeps its distance."""
        seen: set[tuple[int, int]] = set()
        for at, option in self.placed(plan):
            if not self._is_able(at, option):
                return False
            for row, begin, end in self.uses(at, option):
                kept = {(row, mark) for mark in range(begin, end)}
                if kept & seen:
                    return False
                seen |= kept
        return all(
            earlier is None
            or later is None
            or self.day(gap.later, later) - self.day(gap.earlier, earlier) >= gap.days
            for gap in self.gaps
            for earlier, later in [(plan[gap.earlier], plan[gap.later])]
        )

    def _is_able(self, at: int, option: Option) -> bool:
        entry = self.menus[at].entries[option.entry]
        devices = entry.devices[option.devices]
        return bool(
            devices.able[option.start]
            and option.room in devices.rooms
            and entry.room_able[option.room, option.start]
            and option.operator in entry.operators_at(option.devices, option.start)
        )


def _most_points(entry: Entry) -> int:
    devices = max(one.points for one in entry.devices)
    return int(entry.points.max() + entry.operator_points.max()) + devices
