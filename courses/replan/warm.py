"""A former plan as the start of a new one, as far as the diary still allows."""

from collections.abc import Iterable

from courses.replan.answer import Placement
from courses.replan.board import Board, Plan
from courses.replan.greedy import fill
from courses.replan.menu import Entry
from courses.replan.pricing import Option


def warm_plan(board: Board, former: Iterable[Placement]) -> Plan:
    """Every placement that is still possible, in the order given; the rest is filled greedily."""
    at = {menu.displaced.key: position for position, menu in enumerate(board.menus)}
    plan: Plan = [None] * len(board.menus)
    taken: set[tuple[int, int]] = set()
    for placement in former:
        position = at.get(placement.key)
        option = None if position is None else _option(board, position, placement)
        if position is None or option is None:
            continue
        kept = {
            (row, mark)
            for row, begin, end in board.uses(position, option)
            for mark in range(begin, end)
        }
        days = board.days_for(position, plan)
        if not kept & taken and days.first <= board.day(position, option) <= days.last:
            plan[position] = option
            taken |= kept
    return fill(board, plan, order=board.open)


def _option(board: Board, position: int, placement: Placement) -> Option | None:
    """The option that is this placement, if it is still on the menu."""
    for number, entry in enumerate(board.menus[position].entries):
        if entry.clinic.id != placement.clinic_id:
            continue
        cell = board.problem.grid.cell_of(placement.start)
        starts = (entry.cells == cell).nonzero()[0]
        if not len(starts) or board.problem.grid.instant(cell) != placement.start:
            return None
        return _members(entry, number, int(starts[0]), placement)
    return None


def _members(entry: Entry, number: int, start: int, placement: Placement) -> Option | None:
    clinic = entry.clinic
    for choice, devices in enumerate(entry.devices):
        tips = tuple(clinic.handpieces[index].id for index in devices.option.handpieces)
        if (
            clinic.lasers[devices.option.laser].id != placement.laser_id
            or tips != placement.handpiece_ids
            or devices.option.plan.wavelengths_nm != frozenset(placement.wavelengths_nm)
            or not devices.able[start]
        ):
            continue
        rooms = [
            one
            for one in devices.rooms
            if clinic.rooms[one].id == placement.room_id and entry.room_able[one, start]
        ]
        operators = [
            one
            for one in entry.operators_at(choice, start)
            if clinic.operators[one].id == placement.operator_id
        ]
        if rooms and operators:
            return Option(number, start, choice, rooms[0], operators[0])
    return None
