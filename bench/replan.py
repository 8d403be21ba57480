"""Re-plan of an invented chain: one visit after the other, and all together.

Run: python -m bench.replan [--sizes 40 200 1000] [--seconds 10 30 120]

`first fit`: in order of the lost slots each gets the earliest start that is free. `best fit`: the
start of fewest points. `together`: courses.replan, within the seconds for its size. `points` are
compared only between plans that place as many. `gap`: by how much a plan that places as many
could be better at most, proven over all starts, rooms, operators, lasers and clinics; `most`: no
plan places more. `target`: when the plan was first that good (all 40 proven optimal, 2 % for 200,
5 % for 1000), in seconds and in processor seconds: a busy machine stretches only the former, and
its clock may cut the work short (then `cut`).
"""

import argparse
import os
import time
from collections.abc import Callable

from bench.replan_cases import Case, problem
from courses.replan import Effort, Progress, ReplanAnswer, ReplanProblem, replan
from courses.replan.board import Board
from courses.replan.greedy import Rule, greedy

CASES = {
    40: (Case(40, clinics=1, hit=1, weeks=4, occupied=0.6), Case(40, 3, 1, 6, 0.75)),
    200: (Case(200, clinics=4, hit=2, weeks=6, occupied=0.6), Case(200, 2, 2, 6, 0.7)),
    1000: (Case(1000, clinics=12, hit=6, weeks=8, occupied=0.6), Case(1000, 8, 8, 6, 0.7)),
}
SECONDS = {40: 10.0, 200: 30.0, 1000: 120.0}
TARGET = {40: 0.0, 200: 0.02, 1000: 0.05}
COLUMNS = "{:<35}{:<11}{:>7}{:>6}{:>8}{:>8}{:>7}{:>7}{:>14}  {}"
HEADINGS = ("case", "way", "placed", "most", "points", "gap", "s", "cpu s", "target", "status")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", choices=CASES, default=list(CASES))
    parser.add_argument("--seconds", type=float, help="In place of 10, 30 and 120")
    asked = parser.parse_args()
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    print(COLUMNS.format(*HEADINGS))
    for size in asked.sizes:
        for case in CASES[size]:
            run(case, asked.seconds or SECONDS[size])
    print(f"load average {os.getloadavg()[0]:.1f}")


def run(case: Case, seconds: float) -> None:
    name = f"{case.displaced} of {case.hit}/{case.clinics} clinics, {case.weeks} w, "
    name += f"{case.occupied:.0%} full"
    made = problem(case)
    for rule in (Rule.FIRST_FIT, Rule.BEST_FIT):
        (board, plan), wall, cpu = timed(lambda rule=rule: peer(made, rule))
        placed = sum(option is not None for option in plan)
        points = board.score(plan).points
        way = rule.value.replace("_", " ")
        row(name, way, placed, "", points, "", f"{wall:.1f}", f"{cpu:.1f}", "", "")
    path = Path()
    answer, wall, cpu = timed(
        lambda: replan(made, effort=Effort(seconds=seconds), on_progress=path.add)
    )
    cut = " cut" if answer.statistics.cut_short else ""
    row(
        name,
        "together",
        len(answer.placements),
        case.displaced - answer.fewest_unplaced,
        answer.points,
        f"{answer.gap:.2%}",
        f"{wall:.1f}",
        f"{cpu:.1f}",
        path.reached(answer, TARGET[case.displaced]),
        answer.status + cut,
    )


class Path:
    """How a re-plan came to its answer."""

    def __init__(self) -> None:
        self.began = time.process_time()
        self.steps: list[tuple[Progress, float]] = []

    def add(self, progress: Progress) -> None:
        self.steps.append((progress, time.process_time() - self.began))

    def reached(self, answer: ReplanAnswer, target: float) -> str:
        for step, cpu in self.steps:
            if step.points is None or step.unplaced != len(answer.unplaced):
                continue
            if step.points - (step.least_points or 0) <= target * step.points:
                return f"{step.seconds:.1f} ({cpu:.1f})"
        return "-"


def peer(made: ReplanProblem, rule: Rule) -> tuple:
    board = Board.of(made)
    return board, greedy(board, rule=rule)


def timed(work: Callable) -> tuple:
    wall, cpu = time.perf_counter(), time.process_time()
    done = work()
    return done, time.perf_counter() - wall, time.process_time() - cpu


def row(*values: object) -> None:
    print(COLUMNS.format(*values), flush=True)


if __name__ == "__main__":
    main()
