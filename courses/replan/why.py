"""Placements spelled out, and why an appointment has none."""

from datetime import timedelta

from courses.replan.answer import Placement, PointName, PointPart, Unplaced
from courses.replan.board import Board, Plan
from courses.replan.greedy import take
from courses.replan.pricing import TAKEN, Option, Tariff, cheapest, option_points
from courses.slots import Reason, SearchPolicy
from courses.slots.bounds import explain
from courses.slots.wording import long_date

MOST_NAMED = 10


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
    missing = [at for at, option in enumerate(plan) if option is None]
    return tuple(
        Unplaced(board.menus[at].displaced.key, _reasons(board, at, plan)) for at in missing
    )


def _reasons(board: Board, at: int, plan: Plan) -> tuple[Reason, ...]:
    menu, problem = board.menus[at], board.problem
    if menu.entries:
        return (_lost(board, at, plan),)
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
    policy = SearchPolicy(start_step_minutes=problem.policy.start_step_minutes)
    return explain(menu.displaced.request, grid=problem.grid, clinics=clinics, policy=policy)


def _lost(board: Board, at: int, plan: Plan) -> Reason:
    """There are slots, but all are taken by others who were displaced as well."""
    menu = board.menus[at]
    keys = [board.menus[other].displaced.key for other in _in_the_way(board, at, plan)]
    named = f" It would fit if one of {len(keys)} others gave way." if keys else ""
    return Reason(
        "lost_to_others",
        "Every slot that would do is given to others who lost theirs as well." + named,
        {"starts": menu.starts, "would_fit_without_one_of": keys},
    )


def _in_the_way(board: Board, at: int, plan: Plan) -> list[int]:
    """Positions of those without any one of whom the appointment would fit; a few of them."""
    tariff = Tariff.of(board.free_prices())
    for other, option in board.placed(plan):
        take(board, other, option, tariff)
    clinics = set(board.menus[at].displaced.clinic_ids)
    found: list[int] = []
    for other, option in board.placed(plan):
        if len(found) == MOST_NAMED:
            break
        if clinics & set(board.menus[other].displaced.clinic_ids):
            take(board, other, option, tariff, price=-TAKEN)
            days = board.days_for(at, [None if n == other else one for n, one in enumerate(plan)])
            if cheapest(board.menus[at], tariff, days=days) is not None:
                found.append(other)
            take(board, other, option, tariff)
    return found
