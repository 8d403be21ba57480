"""Small re-plans, and a plain reading of their conditions and points to check them against.

Nothing here uses menus, prices or models: options are listed one by one and judged with exact
instants (tests/support/slot_cases.py), and the best plan is found by trying all of them.
"""

import random
from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from core.spans import Span
from courses.replan import Displaced, Effort, Follows, OldSlot, ReplanPolicy, ReplanProblem, replan
from courses.slots import (
    InkNeed,
    LockedOut,
    SlotRequest,
    Timeline,
    TimeWish,
    multi_pass,
    role_spans,
)
from courses.vocabulary import TreatmentRole
from tests.support.slot_cases import (
    ANY_LASER,
    LONG_AGO,
    MONDAY,
    FittedTo,
    choices,
    grid_of,
    is_feasible,
    simple_case,
)

SURE = Effort(seconds=60)
POLICY = ReplanPolicy(start_step_minutes=30, wait_days=1)
# Arguments of random_problem: with room for most, and with room for half of them.
SHAPES = {"loose": {"count": 3, "days": 2}, "tight": {"count": 6, "days": 1}}
TIMELINES = (
    Timeline.whole_visit(30),
    Timeline.whole_visit(60),
    Timeline.whole_visit(50),
    multi_pass([10, 10], finish_minutes=10),
)
NEEDS = (
    (InkNeed("black", (1064, 755)),),
    (InkNeed("red", (532,)),),
    (InkNeed("black", (1064,), 0.7), InkNeed("red", (532,), 0.3, required=False)),
)


@dataclass(frozen=True)
class Way:
    """One way to place someone: when each resource is busy, on which day, and what it costs."""

    busy: tuple
    day: int
    delay: int
    points: int


def clinic_case(number, *, chance, days, hours, laser_rooms=(None, None), busy=3):
    """A clinic with two of everything; the second laser has no 532 nm. Some of it is busy."""
    first = number * 10
    ids = (first + 1, first + 2)
    grid = grid_of(days)
    keys = [(kind, one) for kind in ("room", "operator", "laser") for one in ids]
    taken = {}
    for _ in range(busy):
        begin = grid.start + timedelta(
            days=chance.randrange(days), minutes=15 * chance.randrange(hours[0] * 4, hours[1] * 4)
        )
        span = Span(begin, begin + timedelta(minutes=chance.choice((30, 60, 90))))
        taken.setdefault(chance.choice(keys), []).append(span)
    lines = ({532, 1064}, {755, 1064})
    return simple_case(
        days=days,
        open_hours=hours,
        rooms=tuple((one, True, {532, 755, 1064}) for one in ids),
        operators=tuple((one, (ANY_LASER,)) for one in ids),
        lasers=tuple(zip(ids, lines, laser_rooms, strict=True)),
        tips=tuple((one, lines[at], (FittedTo(one, LONG_AGO),)) for at, one in enumerate(ids)),
        busy=taken,
        locked={ids[0]: [LockedOut(grid.start, grid.start + timedelta(hours=hours[0] + 1))]},
        clinic_id=number,
        zone=ZoneInfo("Europe/Lisbon"),
    )


def random_problem(seed, *, count=3, days=2, clinics=1, hours=(9, 11)):
    """(problem, cases by clinic): a few appointments of a lost morning, with too little room."""
    chance = random.Random(seed)
    cases = {
        number: clinic_case(
            number,
            chance=chance,
            days=days,
            hours=hours,
            laser_rooms=chance.choice(((None, None), (number * 10 + 1, None))),
        )
        for number in range(1, clinics + 1)
    }
    displaced = [_displaced(key, chance, list(cases), days) for key in range(1, count + 1)]
    if chance.random() < 0.4:
        displaced[1] = replace(
            displaced[1], patient_id=displaced[0].patient_id, follows=(Follows(1, 1),)
        )
    if chance.random() < 0.3:
        displaced[2] = replace(displaced[2], latest_on=MONDAY.date())
    grid = next(iter(cases.values())).grid
    found = tuple(case.clinic for case in cases.values())
    return ReplanProblem(grid, found, tuple(displaced), POLICY), cases


def _displaced(key, chance, clinics, days):
    home = chance.choice(clinics)
    old = MONDAY + timedelta(days=chance.randrange(days), hours=chance.randrange(8, 11))
    request = SlotRequest(
        timeline=chance.choice(TIMELINES),
        needs=chance.choice(NEEDS),
        earliest_at=MONDAY + timedelta(minutes=30 * chance.randrange(16, 20)),
        window_closes_on=MONDAY.date() + timedelta(days=chance.choice((0, 0, 0, min(1, days - 1)))),
        advised_on=old.date() + timedelta(days=chance.randrange(2)),
        wishes=chance.choice(((), (), (TimeWish(weekdays=frozenset({1})),))),
        familiar_operator_ids=frozenset({home * 10 + 1}),
    )
    accepted = tuple(dict.fromkeys((home, *chance.sample(clinics, chance.randrange(2)))))
    return Displaced(key, 100 + key, request, accepted, OldSlot(old, home, home * 10 + 2))


def ways(displaced, problem, cases):
    """Every way to place one appointment."""
    request, policy = displaced.request, problem.policy
    found = set()
    for clinic_id in displaced.clinic_ids:
        case = cases[clinic_id]
        for step in range(0, problem.grid.cells * 5, policy.start_step_minutes):
            start = problem.grid.start + timedelta(minutes=step)
            for choice in choices(case, request):
                if is_feasible(
                    case, request, start=start, step=policy.start_step_minutes, **choice
                ):
                    way = _way(displaced, case, start, choice, policy)
                    latest = displaced.latest_on
                    if latest is None or way.day <= latest.toordinal():
                        found.add(way)
    return sorted(found, key=lambda way: (way.points, way.busy))


def _way(displaced, case, start, choice, policy):
    zone = case.clinic.zone
    local, old = start.astimezone(zone), displaced.old.start.astimezone(zone)
    from_old = (local.date() - old.date()).days
    from_advised = (local.date() - displaced.request.advised_on).days
    shift = abs((local.hour - old.hour) * 60 + local.minute - old.minute)
    known = displaced.request.familiar_operator_ids | {displaced.old.operator_id}
    served = 0.0
    for need in displaced.request.needs:
        ranks = [at for at, nm in enumerate(need.wavelengths_nm) if nm in choice["wavelengths"]]
        served += need.share * 0.8 ** ranks[0] if ranks else 0.0
    ink = served / sum(need.share for need in displaced.request.needs)
    points = (
        policy.advised_day * abs(from_advised)
        + policy.old_day * abs(from_old)
        + policy.old_half_hour * (min(shift, 1440 - shift) // 30)
        + policy.long_wait_day * max(from_old - policy.wait_days, 0)
        + policy.other_clinic * (case.clinic.id != displaced.old.clinic_id)
        + policy.new_operator * (choice["operator"].id not in known)
        + round(policy.ink * (1 - ink))
    )
    kept = busy_of(
        displaced,
        start,
        room=choice["room"].id,
        operator=choice["operator"].id,
        laser=choice["laser"].id,
        tips=[tip.id for tip in choice["tips"]],
    )
    return Way(kept, local.toordinal(), max(from_old, 0), points)


def busy_of(displaced, start, *, room, operator, laser, tips):
    """((kind, id), span) of all that a visit keeps busy, whole 5 minutes."""
    spans = role_spans(displaced.request.timeline, start=start)
    members = (
        (TreatmentRole.PATIENT, [displaced.patient_id]),
        (TreatmentRole.ROOM, [room]),
        (TreatmentRole.OPERATOR, [operator]),
        (TreatmentRole.LASER, [laser]),
        (TreatmentRole.HANDPIECE, tips),
    )
    return tuple(
        ((str(role), one), span.start, span.end)
        for role, keys in members
        for one in keys
        for span in spans[role]
    )


def collide(one, other):
    """Whether two ways keep the same thing busy at the same time."""
    return any(
        key == there and begin < until and since < end
        for key, begin, end in one.busy
        for there, since, until in other.busy
    )


def best_plan(problem, cases):
    """(unplaced, points) of the best of all plans, by trying them all."""
    listed = [ways(displaced, problem, cases) for displaced in problem.displaced]
    number = {displaced.key: at for at, displaced in enumerate(problem.displaced)}
    gaps = [
        (number[follows.key], at, follows.days)
        for at, displaced in enumerate(problem.displaced)
        for follows in displaced.follows
    ]
    best = [(len(listed) + 1, 0)]

    def attempt(at, plan, missing, points):
        worst = problem.policy.worst_delay * max((way.delay for way in plan if way), default=0)
        if (missing, points + worst) >= best[0]:
            return
        if at == len(listed):
            if all(
                not (plan[one] and plan[other]) or plan[other].day - plan[one].day >= days
                for one, other, days in gaps
            ):
                best[0] = (missing, points + worst)
            return
        for way in listed[at]:
            if not any(other and collide(way, other) for other in plan):
                attempt(at + 1, [*plan, way], missing, points + way.points)
        attempt(at + 1, [*plan, None], missing + 1, points)

    attempt(0, [], 0, 0)
    return best[0]


def faults(problem, answer, *, apart=0):
    """What is wrong with an answer, judged resource by resource from the problem's own rows."""
    displaced = {one.key: one for one in problem.displaced}
    clinics = {one.id: one for one in problem.clinics}
    kept, wrong = {}, []
    for placed in answer.placements:
        one, clinic = displaced[placed.key], clinics[placed.clinic_id]
        local = placed.start.astimezone(clinic.zone)
        closes = one.request.window_closes_on
        if placed.start < one.request.earliest_at or (closes and local.date() < closes):
            wrong.append(f"{placed.key} early")
        busy = busy_of(
            one,
            placed.start,
            room=placed.room_id,
            operator=placed.operator_id,
            laser=placed.laser_id,
            tips=placed.handpiece_ids,
        )
        wrong += _not_free(problem, clinic, placed.key, busy)
        for key, begin, end in busy:
            kept.setdefault(key, []).append((begin, end, placed.key))
    for key, spans in kept.items():
        spans.sort()
        for (_, end, one), (begin, _, other) in pairwise(spans):
            least = timedelta(minutes=apart if key[0] == "laser" and one != other else 0)
            if begin < end + least:
                wrong.append(f"{key} in {one} and {other}")
    return wrong


def _not_free(problem, clinic, key, busy):
    rows = {
        (kind, one.id): one.free
        for kind, members in (
            ("room", clinic.rooms),
            ("operator", clinic.operators),
            ("laser", clinic.lasers),
            ("handpiece", clinic.handpieces),
        )
        for one in members
    }
    for resource, begin, end in busy:
        row = rows.get(resource)
        if row is None:
            continue
        cells = problem.grid.unpack([row, clinic.open]).all(axis=0)
        if not cells[problem.grid.cell_of(begin) : problem.grid.first_cell_from(end)].all():
            yield f"{key}: {resource} not free"


def solve(problem, **given):
    """The answer with work enough for a proof."""
    return replan(problem, effort=given.pop("effort", SURE), **given)
