"""What a re-plan says, how it starts again, and what it refuses."""

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from courses.replan import BadReplan, Effort, Follows, ReplanPolicy, ReplanProblem, Status, Step
from courses.slots import BadRequest, InkNeed
from tests.courses.replan.test_conditions import BRIEF, one_clinic
from tests.support.replan_cases import SURE, faults, random_problem, solve
from tests.support.slot_cases import MONDAY, request_for


def plan_of(answer):
    return (answer.status, answer.placements, answer.unplaced, answer.points, answer.least_points)


def big(seed=5):
    return random_problem(seed, count=16, days=6, clinics=2, hours=(9, 13))[0]


def test_the_same_seed_gives_the_same_plan():
    # Too little work for a proof, so that the plan depends on which parts are planned afresh.
    effort = replace(BRIEF, size=4, rounds=0, neighbourhoods=3, largest_pool=30, enough=0)
    problem, _ = random_problem(3, count=40, days=4, clinics=2, hours=(9, 13))
    one, other = (solve(problem, effort=effort) for _ in range(2))
    assert one.status is Status.FEASIBLE
    assert not one.statistics.cut_short
    assert plan_of(one) == plan_of(other)
    assert replace(one.statistics, seconds=0) == replace(other.statistics, seconds=0)


def test_the_clock_says_that_it_cut_a_plan_short():
    answer = solve(big(), effort=replace(BRIEF, seconds=0.001))
    assert answer.statistics.cut_short
    assert answer.status is Status.FEASIBLE
    assert not faults(big(), answer)


def test_a_former_plan_is_kept_or_bettered():
    good = solve(big())
    idle = Effort(
        seconds=60,
        rounds=0,
        neighbourhoods=0,
        largest_pool=0,
        proof_seconds=0.01,
        part_seconds=0.01,
    )
    cold, warm = (solve(big(), effort=idle, former=former) for former in ((), good.placements))
    assert (len(warm.unplaced), warm.points) <= (len(good.unplaced), good.points)
    assert (len(cold.unplaced), cold.points) > (len(good.unplaced), good.points)


def test_what_has_become_impossible_of_a_former_plan_is_planned_again():
    problem = big()
    good = solve(problem)
    gone = good.placements[0].operator_id
    clinics = tuple(
        replace(clinic, operators=tuple(one for one in clinic.operators if one.id != gone))
        for clinic in problem.clinics
    )
    changed = replace(problem, clinics=clinics)
    answer = solve(changed, effort=BRIEF, former=[*good.placements, good.placements[0]])
    assert all(placed.operator_id != gone for placed in answer.placements)
    assert not faults(changed, answer)


def test_progress_is_told_and_ends_with_the_answer():
    told = []
    answer = solve(big(), effort=BRIEF, on_progress=told.append)
    assert told[0].step is Step.MENUS
    assert {Step.GREEDY, Step.PRICES, Step.PROOF} <= {one.step for one in told}
    assert [one.seconds for one in told] == sorted(one.seconds for one in told)
    assert told[-1].points == answer.points
    assert told[-1].unplaced == len(answer.unplaced)


def test_an_exception_in_the_progress_callback_ends_the_work():
    def stop(progress):
        if progress.step is Step.GREEDY:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        solve(big(), on_progress=stop)


def test_parts_of_points_add_up_and_the_basis_is_told():
    answer = solve(big(), effort=BRIEF)
    assert answer.placements
    for placed in answer.placements:
        assert sum(part.points for part in placed.parts) == placed.points
    worst = ReplanPolicy().worst_delay * answer.worst_delay_days
    assert sum(placed.points for placed in answer.placements) + worst == answer.points
    assert answer.basis[0].id == "replan"


def codes(answer):
    return {one.key: [reason.code for reason in one.reasons] for one in answer.unplaced}


def test_who_could_never_be_placed_is_told_which_condition_bound():
    answer = solve(one_clinic(request_for(60, needs=(("green", (694,)),)), request_for(60)))
    assert codes(answer).keys() == {1}
    assert codes(answer)[1]
    assert codes(answer)[1] != ["lost_to_others"]
    assert answer.status is Status.OPTIMAL
    assert answer.fewest_unplaced == 1


def test_who_lost_to_others_is_told_to_whom():
    answer = solve(one_clinic(*[request_for(60)] * 3, days=1, open_hours=(9, 11)))
    assert [one.reasons[0].code for one in answer.unplaced] == ["lost_to_others"]
    placed = {one.key for one in answer.placements}
    assert set(answer.unplaced[0].reasons[0].data["would_fit_without_one_of"]) == placed
    assert answer.status is Status.OPTIMAL


def test_slots_after_the_latest_day_only_are_told_so():
    problem = one_clinic(request_for(60, window_closes_on=date(2026, 6, 3)))
    late = tuple(replace(one, latest_on=date(2026, 6, 2)) for one in problem.displaced)
    answer = solve(replace(problem, displaced=late))
    assert codes(answer) == {1: ["only_after_latest_day"]}


def test_nobody_displaced_and_nobody_placeable_are_answers():
    nobody = solve(replace(one_clinic(request_for(60)), displaced=()))
    assert (nobody.status, nobody.points, nobody.placements) == (Status.OPTIMAL, 0, ())
    problem = one_clinic(request_for(60), request_for(60))
    closed = replace(problem.clinics[0], open=problem.grid.row(()))
    answer = solve(replace(problem, clinics=(closed,)))
    assert len(answer.unplaced) == 2
    assert all(one.reasons for one in answer.unplaced)


def with_first(problem: ReplanProblem, **changes):
    first = replace(problem.displaced[0], **changes)
    return replace(problem, displaced=(first, *problem.displaced[1:]))


def with_policy(problem, **changes):
    return replace(problem, policy=replace(problem.policy, **changes))


BAD = {
    "displaced.key": lambda one: with_first(one, key=2),
    "clinics": lambda one: replace(one, clinics=one.clinics * 2),
    "displaced.clinic_ids": lambda one: with_first(one, clinic_ids=(1, 77)),
    "displaced.follows": lambda one: with_first(one, follows=(Follows(1, 2),)),
    "displaced.follows.days": lambda one: with_first(one, follows=(Follows(2, -1),)),
    "displaced.old.start": lambda one: with_first(
        one,
        old=replace(one.displaced[0].old, start=datetime(2026, 6, 1, 9)),  # noqa: DTZ001
    ),
    "displaced": lambda one: replace(
        one, displaced=tuple(replace(one.displaced[0], key=key) for key in range(2001))
    ),
    "policy": lambda one: with_policy(one, old_day=-1),
    "policy.wait_days": lambda one: with_policy(one, wait_days=-1),
}


@pytest.mark.parametrize("field", BAD)
def test_refuses_bad_problems_naming_the_field(field):
    with pytest.raises(BadReplan) as refused:
        solve(BAD[field](one_clinic(request_for(60), request_for(60))))
    assert refused.value.field == field
    assert refused.value.message


def test_refuses_appointments_that_follow_in_a_ring():
    problem = one_clinic(request_for(60), request_for(60))
    ring = tuple(replace(one, follows=(Follows(3 - one.key, 1),)) for one in problem.displaced)
    with pytest.raises(BadReplan, match="follows itself"):
        solve(replace(problem, displaced=ring))


@pytest.mark.parametrize(
    "changes",
    [
        {"earliest_at": datetime(2026, 6, 1)},  # noqa: DTZ001
        {"needs": ()},
        {"needs": (InkNeed("black", ()),)},
    ],
)
def test_refuses_requests_that_cannot_be_searched(changes):
    with pytest.raises(BadRequest):
        solve(one_clinic(replace(request_for(60), **changes)))


@pytest.mark.parametrize(
    "effort",
    [Effort(seconds=0), Effort(seed=-1), Effort(size=0), Effort(proof_seconds=0), Effort(enough=1)],
)
def test_refuses_effort_that_is_none(effort):
    with pytest.raises(BadReplan):
        solve(one_clinic(request_for(60)), effort=effort)


def test_starts_in_the_past_of_the_order_are_not_given():
    late = MONDAY + timedelta(days=1, hours=12)
    answer = solve(one_clinic(request_for(60, earliest_at=late)), effort=SURE)
    assert answer.placements[0].start >= late
