"""Slot search against two outsiders that share no code with it.

Brute force: every room, operator, laser, set of handpieces and wavelengths at every start, each
condition judged with exact instants and `zoneinfo`. And the interval library `portion`: feasible
starts as erosion, intersection and union of intervals, without any grid.
"""

from dataclasses import replace
from datetime import timedelta
from functools import reduce

import portion
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clinics.hours import local_day_start
from courses.slots import feasible_starts, role_spans, search_slots
from courses.slots.search import advised_day
from courses.vocabulary import TreatmentRole
from tests.support.slot_cases import choices, is_feasible, plain_score
from tests.support.slot_strategies import cases, policies, requests

slow_to_draw = settings(
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def marks(grid, step):
    return [grid.start + timedelta(minutes=minute) for minute in range(0, grid.cells * 5, step)]


def limits(policy):
    """What of a policy bounds where a visit can be."""
    return {"step": policy.start_step_minutes, "changeover": policy.changeover_minutes}


def brute_starts(case, request, policy):
    possible = list(choices(case, request))
    return [
        start
        for start in marks(case.grid, 5)
        if start.astimezone(case.clinic.zone).minute % policy.start_step_minutes == 0
        and any(
            is_feasible(case, request, start=start, **limits(policy), **one) for one in possible
        )
    ]


@given(data=st.data())
@settings(slow_to_draw, max_examples=40)
def test_same_starts_as_brute_force(data):
    case = data.draw(cases(max_days=1))
    request = data.draw(requests(case))
    policy = data.draw(policies)
    found = feasible_starts(request, grid=case.grid, clinic=case.clinic, policy=policy)
    assert found == brute_starts(case, request, policy)


@given(data=st.data())
@settings(slow_to_draw, max_examples=150)
def test_every_slot_is_feasible_and_none_is_returned_only_if_none_exists(data):
    case = data.draw(cases())
    request = data.draw(requests(case))
    policy = data.draw(policies)
    answer = search_slots(request, grid=case.grid, clinics=[case.clinic], policy=policy)
    assert bool(answer.slots) != bool(answer.bounds)
    starts = feasible_starts(request, grid=case.grid, clinic=case.clinic, policy=policy)
    assert bool(answer.slots) == bool(starts)
    assert len(answer.slots) <= request.limit
    for slot in answer.slots:
        assert is_feasible(case, request, **limits(policy), **as_choice(case, slot))
    for earlier in answer.slots:
        for later in answer.slots:
            apart = abs(later.start - earlier.start)
            assert earlier is later or apart >= timedelta(minutes=policy.min_apart_minutes)


@given(data=st.data())
@settings(slow_to_draw, max_examples=150)
def test_every_slot_is_feasible_to_the_minute(data):
    """Free time and segments on odd minutes: the grid may refuse a start, never allow one."""
    case = data.draw(cases(grain=1))
    request = data.draw(requests(case, grain=1))
    answer = search_slots(request, grid=case.grid, clinics=[case.clinic])
    for slot in answer.slots:
        assert is_feasible(case, request, **as_choice(case, slot))


@given(data=st.data())
@settings(slow_to_draw, max_examples=40)
def test_first_slot_has_the_best_score_of_all(data):
    case = data.draw(cases(max_days=1))
    request = data.draw(requests(case))
    policy = data.draw(policies.filter(lambda policy: policy.start_step_minutes > 5))
    answer = search_slots(request, grid=case.grid, clinics=[case.clinic], policy=policy)
    day = advised_day(request, zone=case.clinic.zone, grid=case.grid)

    def score(choice, start):
        return plain_score(case, request, choice, start=start, advised_on=day, policy=policy)

    scores = [
        score(choice, start)
        for choice in choices(case, request)
        for start in marks(case.grid, 5)
        if is_feasible(case, request, start=start, **limits(policy), **choice)
    ]
    assert bool(scores) == bool(answer.slots)
    for slot in answer.slots:
        choice = as_choice(case, slot)
        start = choice.pop("start")
        assert abs(slot.score - score(choice, start)) < 1e-5
    if scores:
        assert abs(answer.slots[0].score - max(scores)) < 1e-5


@given(data=st.data())
@settings(slow_to_draw, max_examples=150)
def test_same_starts_as_the_interval_library(data):
    """Outside: `portion`, intervals of instants."""
    case = data.draw(cases())
    request = data.draw(requests(case))
    if request.wishes:
        request = replace(request, wishes=())
    found = feasible_starts(request, grid=case.grid, clinic=case.clinic)
    allowed = interval_starts(case, request)
    assert found == [start for start in marks(case.grid, 5) if start in allowed]


def as_choice(case, slot):
    """A slot's ids as the candidates they name."""

    def named(members, number):
        return next(one for one in members if one.id == number)

    clinic = case.clinic
    return {
        "start": slot.start,
        "room": named(clinic.rooms, slot.room_id),
        "operator": named(clinic.operators, slot.operator_id),
        "laser": named(clinic.lasers, slot.laser_id),
        "tips": tuple(named(clinic.handpieces, number) for number in slot.handpiece_ids),
        "wavelengths": frozenset(slot.wavelengths_nm),
    }


def interval_starts(case, request):
    """Feasible starts as a `portion` interval."""
    grid, zone = case.grid, case.clinic.zone
    length = timedelta(minutes=request.timeline.minutes)
    latest = min(request.latest_at or grid.end, grid.end)
    base = portion.closed(max(request.earliest_at, grid.start), latest - length)
    if request.window_closes_on is not None:
        base &= portion.closedopen(local_day_start(request.window_closes_on, zone), portion.inf)
    base &= eroded(union(case.open.free), [(timedelta(0), length)])
    patient = portion.open(-portion.inf, portion.inf) - union(request.patient_busy)
    base &= eroded(patient, parts_of(request, TreatmentRole.PATIENT, grid))
    found = portion.empty()
    for choice in choices(case, request):
        found |= base & choice_starts(case, request, choice)
    return found


def choice_starts(case, request, choice):
    room, operator, laser = choice["room"], choice["operator"], choice["laser"]
    cleared = room.laser_controlled and choice["wavelengths"] <= room.cleared_wavelengths_nm
    if not cleared or laser.room_id not in (None, room.id):
        return portion.empty()
    if request.operator_ids is not None and operator.id not in request.operator_ids:
        return portion.empty()
    grid = case.grid
    free = [
        (TreatmentRole.ROOM, free_time(case, "room", room.id)),
        (
            TreatmentRole.OPERATOR,
            free_time(case, "operator", operator.id)
            & credential_time(operator, laser, choice["wavelengths"], case.clinic.zone),
        ),
        (TreatmentRole.LASER, free_time(case, "laser", laser.id)),
        *(
            (
                TreatmentRole.HANDPIECE,
                free_time(case, "handpiece", tip.id)
                & endless([one for one in tip.fitted if one.laser_id == laser.id]),
            )
            for tip in choice["tips"]
        ),
    ]
    ever = portion.open(-portion.inf, portion.inf)
    # From the start of the visit to its last pass: a session that starts in a lock-out is refused.
    last = max(end for _, end in parts_of(request, TreatmentRole.LASER, grid))
    unlocked = eroded(ever - endless(laser.locked_out), [(timedelta(0), last)])
    return reduce(
        lambda found, pair: found & eroded(pair[1], parts_of(request, pair[0], grid)),
        free,
        unlocked,
    )


def credential_time(operator, laser, wavelengths, zone):
    """When credentials cover every wavelength on this laser."""
    found = portion.open(-portion.inf, portion.inf)
    for nm in wavelengths:
        covered = portion.empty()
        for held in operator.credentials:
            if held.laser_model_ids and laser.model_id not in held.laser_model_ids:
                continue
            if held.wavelengths_nm and nm not in held.wavelengths_nm:
                continue
            last = held.valid_until
            end = portion.inf if last is None else local_day_start(last, zone)
            covered |= portion.closedopen(local_day_start(held.valid_from, zone), end)
        found &= covered
    return found


def free_time(case, kind, number):
    time_of = case.time_of[kind, number]
    return union(time_of.free) - union(time_of.busy)


def union(spans):
    return portion.Interval(*(portion.closedopen(span.start, span.end) for span in spans))


def endless(spans):
    return portion.Interval(
        *(
            portion.closedopen(span.start, portion.inf if span.end is None else span.end)
            for span in spans
        )
    )


def eroded(free, parts):
    """Instants t such that [t + begin, t + end) lies in `free` for every part."""
    found = portion.open(-portion.inf, portion.inf)
    for begin, end in parts:
        starts = portion.empty()
        for atom in free:
            low = atom.lower if atom.lower == -portion.inf else atom.lower - begin
            high = atom.upper if atom.upper == portion.inf else atom.upper - end
            starts |= portion.closed(low, high)
        found &= starts
    return found


def parts_of(request, role, grid):
    """(begin, end) of a role's spans, from the start of the visit."""
    spans = role_spans(request.timeline, start=grid.start)[role]
    return [(span.start - grid.start, span.end - grid.start) for span in spans]
