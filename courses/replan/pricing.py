"""The cheapest option of a menu when the time of resources has a price.

Costs are in thousandths of a point, whole numbers kept as floats, so that sums are exact. A
price per resource and mark (a cell in which any clinic is open) is zero or more. An option costs
its points and the prices of all cells that it keeps busy. Starts are ordered by points, so the
first ones decide: once the cheapest of them costs no more than the points of the next start, no
later one can be cheaper.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from courses.replan.menu import Entry, Menu, Rows
from courses.replan.points import Ints
from courses.slots.windows import Parts
from courses.vocabulary import TreatmentRole

Floats = npt.NDArray[np.float64]
UNIT = 1000
FIRST_LOOK = 64
NO_WAY = np.inf
# The price of a cell that is taken; dearer than any option, cheap enough to be summed exactly.
TAKEN = 1e11


@dataclass(frozen=True, slots=True)
class Option:
    """One way to serve a displaced appointment: positions in its menu, entry and clinic."""

    entry: int
    start: int
    devices: int
    room: int
    operator: int


@dataclass(frozen=True, slots=True)
class Priced:
    """An option and what it costs, points and prices together."""

    option: Option
    cost: float


@dataclass(frozen=True, slots=True)
class DayRange:
    """Ordinals of the first and the last local day that may be used."""

    first: int = 0
    last: int = 10**9


ANY_DAY = DayRange()


@dataclass(frozen=True, slots=True, eq=False)
class Tariff:
    """Prices summed up to, not including, each mark (resources x marks + 1).

    `unit` is the cost of a point: UNIT, or 0 when only prices count.
    """

    sums: Floats
    unit: int = UNIT

    @classmethod
    def of(cls, prices: Floats, *, unit: int = UNIT) -> "Tariff":
        """From prices of shape (resources, marks)."""
        sums = np.zeros((prices.shape[0], prices.shape[1] + 1))
        np.cumsum(prices, axis=1, out=sums[:, 1:])
        return cls(sums, unit)

    def take(self, row: int, begin: int, end: int) -> None:
        """Make the marks begin..end-1 of a resource too dear."""
        self.sums[row, begin + 1 : end + 1] += TAKEN * np.arange(1, end - begin + 1)
        self.sums[row, end + 1 :] += TAKEN * (end - begin)

    def window(self, rows: Rows, marks: Ints, parts: Parts) -> Floats:
        """Prices of the parts that begin at `marks`, shape (rows, marks)."""
        flat = self.sums.reshape(-1)
        at = rows[:, None] * self.sums.shape[1] + marks
        total = np.zeros(at.shape)
        for begin, end in parts:
            total += flat.take(at + end)
            total -= flat.take(at + begin)
        return total


def cheapest(menu: Menu, tariff: Tariff, *, days: DayRange = ANY_DAY) -> Priced | None:
    """The cheapest option; ties go to the entry, start, devices, room, operator named first.

    None when everything is taken.
    """
    best: Priced | None = None
    below = TAKEN
    for number, entry in enumerate(menu.entries):
        seen, look, total = 0, FIRST_LOOK, len(entry.cells)
        while seen < total and entry.points[seen] * tariff.unit < below:
            until = min(total, seen + look)
            costs = EntryCosts.of(entry, tariff, slice(seen, until), days=days)
            at = int(costs.total.argmin())
            if costs.total[at] < below:
                below = float(costs.total[at])
                best = Priced(costs.option_at(at, number), below)
            seen, look = until, look * 2
    return best


@dataclass(frozen=True, slots=True, eq=False)
class EntryCosts:
    """Costs of a stretch of an entry's starts, role by role; infinite where not able.

    `own`: of the start itself and the patient's time, shape (starts,). `rooms` and `operators`:
    members x starts. `devices`: of each set of devices with its cheapest room and operator,
    devices x starts. `total`: of the cheapest combination with `own`, shape (starts,).
    """

    entry: Entry
    stretch: slice
    own: Floats
    rooms: Floats
    operators: Floats
    devices: Floats
    total: Floats

    @classmethod
    def of(
        cls, entry: Entry, tariff: Tariff, stretch: slice, *, days: DayRange = ANY_DAY
    ) -> "EntryCosts":
        """Of the starts in `stretch`; those outside `days` cost infinitely much."""
        marks = entry.marks[stretch]
        own = (entry.points[stretch] * tariff.unit).astype(np.float64)
        prices = _prices(entry, tariff, marks)
        own += prices[TreatmentRole.PATIENT].sum(axis=0)
        if days != ANY_DAY:
            own[(entry.days[stretch] < days.first) | (entry.days[stretch] > days.last)] = NO_WAY
        rooms = prices[TreatmentRole.ROOM]
        rooms[~entry.room_able[:, stretch]] = NO_WAY
        operators = prices[TreatmentRole.OPERATOR]
        operators += (entry.operator_points * tariff.unit)[:, None]
        devices = _devices(entry, tariff.unit, stretch, prices)
        return cls(entry, stretch, own, rooms, operators, devices, devices.min(axis=0) + own)

    def option_at(self, at: int, number: int) -> Option:
        """The cheapest option at a start (counted within the stretch) of entry `number`."""
        start = self.stretch.start + at
        choice = int(self.devices[:, at].argmin())
        devices = self.entry.devices[choice]
        room = min(devices.rooms, key=lambda index: (self.rooms[index, at], index))
        operator = min(
            self.entry.operators_at(choice, start),
            key=lambda index: (self.operators[index, at], index),
        )
        return Option(number, start, choice, room, operator)


def option_points(menu: Menu, option: Option) -> int:
    """Points of an option, without the worst delay."""
    entry = menu.entries[option.entry]
    return int(
        entry.points[option.start]
        + entry.devices[option.devices].points
        + entry.operator_points[option.operator]
    )


def uses(menu: Menu, option: Option) -> Iterator[tuple[int, int, int]]:
    """(resource row, first mark, mark after the last) of everything the option keeps busy."""
    entry = menu.entries[option.entry]
    mark, devices = int(entry.marks[option.start]), entry.devices[option.devices].option
    kept = {
        TreatmentRole.PATIENT: range(len(entry.rows[TreatmentRole.PATIENT])),
        TreatmentRole.ROOM: (option.room,),
        TreatmentRole.OPERATOR: (option.operator,),
        TreatmentRole.LASER: (devices.laser,),
        TreatmentRole.HANDPIECE: devices.handpieces,
    }
    for role, members in kept.items():
        for member in members:
            row = int(entry.rows[role][member])
            for begin, end in entry.parts[role]:
                yield row, mark + begin, mark + end


def _prices(entry: Entry, tariff: Tariff, marks: Ints) -> dict[TreatmentRole, Floats]:
    """Of everyone and everything at the clinic, by role, members x starts."""
    if len(set(entry.parts.values())) > 1:
        return {
            role: tariff.window(rows, marks, entry.parts[role]) for role, rows in entry.rows.items()
        }
    every = tariff.window(
        np.concatenate(list(entry.rows.values())), marks, entry.parts[TreatmentRole.ROOM]
    )
    edges = np.cumsum([len(rows) for rows in entry.rows.values()])[:-1]
    return dict(zip(entry.rows, np.split(every, edges), strict=True))


def _devices(
    entry: Entry, unit: int, stretch: slice, prices: dict[TreatmentRole, Floats]
) -> Floats:
    """Of each set of devices with its cheapest room and operator, devices x starts."""
    rooms, lasers, tips = (
        prices[role] for role in (TreatmentRole.ROOM, TreatmentRole.LASER, TreatmentRole.HANDPIECE)
    )
    operators = prices[TreatmentRole.OPERATOR]
    by_staff = [
        np.where(staff.able[:, stretch], operators[list(staff.members)], NO_WAY).min(axis=0)
        for staff in entry.staffs
    ]
    by_rooms = {
        listed: rooms[list(listed)].min(axis=0) for listed in {one.rooms for one in entry.devices}
    }
    costs = np.empty((len(entry.devices), rooms.shape[1]))
    for number, devices in enumerate(entry.devices):
        cost = by_rooms[devices.rooms] + by_staff[devices.staff]
        cost += lasers[devices.option.laser] + devices.points * unit
        for tip in devices.option.handpieces:
            cost += tips[tip]
        cost[~devices.able[stretch]] = NO_WAY
        costs[number] = cost
    return costs
