"""Placements spelled out, and why an appointment has none."""

from collections.abc import Mapping
from datetime import timedelta

from courses.replan.answer import Placement, PointName, PointPart, Unplaced
from courses.replan.board import Board, Plan
from courses.replan.menu import Entry
from courses.replan.pricing import Option, option_points
from courses.slots import Reason
from courses.slots.bounds import explain
from courses.slots.wording import long_date
from courses.vocabulary import TreatmentRole

MOST_NAMED = 10
MOST_LOOKED_AT = 50
# Who keeps a resource (row) busy at a mark.
Takers = Mapping[tuple[int, int], int]


def placement(board: Board, at: int, option: Option) -> Placement:
    """A placement with its points in parts."""
    menu, policy = board.menus[at], board.policy
    entry = menu.entries[option.entry]
    clinic, devices = entry.clinic, entry.devices[option.devices]
    start = board.problem.grid.instant(int(entry.cells[option.start]))
    advised = int(entry.deviation.from_advised[option.start])
    old = int(entry.deviation.from_old[option.start])
    moved = clinic.id != menu.displaced.old.clinic_id
    points = {
        PointName.ADVISED_DAY: policy.advised_day * abs(advised),
        PointName.OLD_DAY: policy.old_day * abs(old),
        PointName.OLD_HOUR: policy.old_half_hour * int(entry.deviation.half_hours[option.start]),
        PointName.LONG_WAIT: policy.long_wait_day * max(old - policy.wait_days, 0),
        PointName.CLINIC: policy.other_clinic * moved,
        PointName.OPERATOR: int(entry.operator_points[option.operator]),
        PointName.INK: devices.points,
    }
    return Placement(
        key=menu.displaced.key,
        start=start,
        end=start + timedelta(minutes=menu.displaced.request.timeline.minutes),
        clinic_id=clinic.id,
        room_id=clinic.rooms[option.room].id,
        operator_id=clinic.operators[option.operator].id,
        laser_id=clinic.lasers[devices.option.laser].id,
        handpiece_ids=tuple(clinic.handpieces[one].id for one in devices.option.handpieces),
        wavelengths_nm=tuple(sorted(devices.option.plan.wavelengths_nm)),
        served=devices.option.plan.served,
        left_out=devices.option.plan.left_out,
        days_from_advised=advised,
        days_from_old=old,
        points=option_points(menu, option),
        parts=tuple(PointPart(name, value) for name, value in points.items() if value),
    )


def unplaced(board: Board, plan: Plan) -> tuple[Unplaced, ...]:
    """Everyone without a place in the plan, each with at least one reason."""
    takers = {
        (row, mark): at
        for at, option in board.placed(plan)
        for row, begin, end in board.uses(at, option)
        for mark in range(begin, end)
    }
    missing = [at for at, option in enumerate(plan) if option is None]
    return tuple(
        Unplaced(board.menus[at].displaced.key, _reasons(board, at, plan, takers)) for at in missing
    )


def _reasons(board: Board, at: int, plan: Plan, takers: Takers) -> tuple[Reason, ...]:
    menu, problem = board.menus[at], board.problem
    if menu.entries:
        return (_lost(board, at, plan, takers),)
    if menu.too_late and menu.displaced.latest_on is not None:
        latest = menu.displaced.latest_on
        return (
            Reason(
                "only_after_latest_day",
                f"Every slot that would do lies after {long_date(latest)}.",
                {"latest_on": latest.isoformat()},
            ),
        )
    clinics = [one for one in problem.clinics if one.id in menu.displaced.clinic_ids]
    policy = problem.policy.search()
    return explain(menu.displaced.request, grid=problem.grid, clinics=clinics, policy=policy)


def _lost(board: Board, at: int, plan: Plan, takers: Takers) -> Reason:
    """There are slots, but all are taken by others who were displaced as well."""
    menu = board.menus[at]
    keys = [board.menus[other].displaced.key for other in _in_the_way(board, at, plan, takers)]
    named = f" It would fit if one of {len(keys)} others gave way." if keys else ""
    return Reason(
        "lost_to_others",
        "Every slot that would do is given to others who lost theirs as well." + named,
        {"starts": menu.starts, "would_fit_without_one_of": keys},
    )


def _in_the_way(board: Board, at: int, plan: Plan, takers: Takers) -> list[int]:
    """Positions of those without any one of whom the appointment would fit; a few of them.

    Sought among the starts of fewest points at each clinic.
    """
    found: dict[int, None] = {}
    for entry in board.menus[at].entries:
        for start in range(min(len(entry.cells), MOST_LOOKED_AT)):
            for other in _alone_in_the_way(entry, start, takers):
                rest = [None if one == other else option for one, option in enumerate(plan)]
                days = board.days_for(at, rest)
                if days.first <= entry.days[start] <= days.last:
                    found[other] = None
            if len(found) >= MOST_NAMED:
                return list(found)[:MOST_NAMED]
    return list(found)


def _alone_in_the_way(entry: Entry, start: int, takers: Takers) -> set[int]:
    """Each of whom is the only one that keeps a start from some devices, room and operator."""
    mark = int(entry.marks[start])

    def busy(role: TreatmentRole, member: int) -> frozenset[int]:
        row = int(entry.rows[role][member])
        cells = (mark + cell for part in entry.parts[role] for cell in range(*part))
        return frozenset(takers[row, cell] for cell in cells if (row, cell) in takers)

    patient = range(len(entry.rows[TreatmentRole.PATIENT]))
    always = frozenset[int]().union(*(busy(TreatmentRole.PATIENT, one) for one in patient))
    alone: set[int] = set()
    for number, devices in enumerate(entry.devices):
        if not devices.able[start]:
            continue
        tips = (busy(TreatmentRole.HANDPIECE, one) for one in devices.option.handpieces)
        mine = always.union(busy(TreatmentRole.LASER, devices.option.laser), *tips)
        rooms = {
            busy(TreatmentRole.ROOM, one) for one in devices.rooms if entry.room_able[one, start]
        }
        crew = {busy(TreatmentRole.OPERATOR, one) for one in entry.operators_at(number, start)}
        together = {mine | room | operator for room in rooms for operator in crew}
        alone |= {next(iter(one)) for one in together if len(one) == 1}
    return alone
