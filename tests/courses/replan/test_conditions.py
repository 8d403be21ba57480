"""What no re-plan may break, on diaries with more going on than could be tried plan by plan."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from courses.replan import Displaced, Effort, OldSlot, ReplanPolicy, ReplanProblem
from courses.slots import FittedTo, InkNeed, multi_pass
from tests.support.replan_cases import POLICY, SURE, faults, random_problem, solve
from tests.support.slot_cases import LONG_AGO, MONDAY, request_for, simple_case

BRIEF = Effort(seconds=60, rounds=30, neighbourhoods=4, part_seconds=0.2, proof_seconds=0.3)
RED, BLACK = (("red", (532,)),), (("black", (1064,)),)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("count", "days", "hours"), [(12, 5, (9, 13)), (8, 2, (9, 12))])
def test_nobody_early_and_nothing_booked_twice(seed, count, days, hours):
    problem, _ = random_problem(seed, count=count, days=days, clinics=1 + seed % 2, hours=hours)
    answer = solve(problem, effort=BRIEF)
    assert len(answer.placements) >= 5
    assert not faults(problem, answer)


def test_parts_planned_afresh_break_nothing_either():
    problem, _ = random_problem(8, count=30, days=4, clinics=2, hours=(9, 13))
    answer = solve(problem, effort=replace(BRIEF, rounds=0, size=8, neighbourhoods=8, enough=0))
    assert answer.statistics.neighbourhoods > 0
    assert not faults(problem, answer)


def one_clinic(*requests, policy=POLICY, old=MONDAY + timedelta(hours=9), **clinic):
    case = simple_case(**{"days": 3, **clinic})
    displaced = tuple(
        Displaced(key, 100 + key, request, (1,), OldSlot(old, 1, 1))
        for key, request in enumerate(requests, start=1)
    )
    return ReplanProblem(case.grid, (case.clinic,), displaced, policy)


def test_not_before_the_window_closes_even_if_the_old_day_was():
    request = request_for(60, window_closes_on=date(2026, 6, 3), advised_on=date(2026, 6, 1))
    answer = solve(one_clinic(request))
    assert answer.placements[0].start.date() == date(2026, 6, 3)


def test_two_rooms_share_a_laser_during_each_others_waits():
    """One laser, one operator, two rooms: the second visit fits into the first one's wait."""
    waits = multi_pass([10, 10])
    rooms = ((1, True, {532, 755, 1064}), (2, True, {532, 755, 1064}))
    several = [request_for(timeline=waits) for _ in range(2)]
    policy = replace(POLICY, start_step_minutes=5)
    shared = {"days": 1, "open_hours": (9, 10), "rooms": rooms, "policy": policy}
    assert len(solve(one_clinic(*several, **shared)).placements) == 2
    alone = {**shared, "rooms": rooms[:1]}
    assert len(solve(one_clinic(*several, **alone)).placements) == 1


def two_handpieces(minutes):
    tips = ((1, {532}, (FittedTo(1, LONG_AGO),)), (2, {1064}, (FittedTo(1, LONG_AGO),)))
    policy = replace(POLICY, changeover_minutes=minutes)
    return one_clinic(
        request_for(60, needs=RED),
        request_for(60, needs=BLACK),
        policy=policy,
        days=1,
        open_hours=(9, 11),
        tips=tips,
    )


def test_a_laser_keeps_time_to_change_handpieces():
    assert len(solve(two_handpieces(0)).placements) == 2
    assert len(solve(two_handpieces(10)).placements) == 1


@pytest.mark.parametrize("seed", range(3))
def test_changeovers_are_kept_between_displaced_appointments(seed):
    problem, _ = random_problem(seed, count=8, days=3, hours=(9, 12))
    tip = problem.clinics[0].handpieces[0]
    spare = replace(tip, id=99, wavelengths_nm=frozenset({532}))
    clinic = replace(problem.clinics[0], handpieces=(*problem.clinics[0].handpieces, spare))
    policy = replace(problem.policy, changeover_minutes=15)
    changed = replace(problem, clinics=(clinic,), policy=policy)
    answer = solve(changed, effort=BRIEF)
    assert len(answer.placements) >= 4
    assert not faults(changed, answer, apart=15)


def test_a_need_only_some_lasers_meet_goes_to_one_of_them():
    problem, _ = random_problem(3, count=6, days=4, hours=(9, 13))
    red = tuple(
        replace(one, request=replace(one.request, needs=(InkNeed("red", (532,)),)))
        for one in problem.displaced
    )
    answer = solve(replace(problem, displaced=red), effort=BRIEF)
    assert answer.placements
    assert {placed.laser_id for placed in answer.placements} == {11}
    assert all(placed.wavelengths_nm == (532,) for placed in answer.placements)


def test_one_long_wait_costs_more_than_two_short_ones():
    """Fairness: with it on, the wait of whoever waits longest is no longer than with it off."""
    for seed in range(6):
        problem, _ = random_problem(seed, count=6, days=5, hours=(9, 11))
        unfair = replace(POLICY, worst_delay=0, long_wait_day=0)
        fair = ReplanPolicy(start_step_minutes=30, worst_delay=200)
        waits = [
            solve(replace(problem, policy=policy), effort=SURE).worst_delay_days
            for policy in (unfair, fair)
        ]
        assert waits[1] <= waits[0]
