"""Everything a displaced appointment could be given, without the others: its menu.

A menu has one entry per accepted clinic. An entry does not list room x operator x device
combinations; it keeps which rooms, operators and devices could start when. At a given start and
set of devices the room and the operator are independent, so the cheapest combination is found
role by role.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from courses.replan.points import Deviation, Ints
from courses.replan.problem import Displaced, ReplanProblem
from courses.slots import ClinicCandidates
from courses.slots.clinic_frame import ClinicFrame, clinic_frame
from courses.slots.grid import GRAIN_MINUTES, BoolArray
from courses.slots.options import DeviceOption
from courses.slots.windows import Parts
from courses.slots.zone_frame import ZoneFrame, zone_frame
from courses.vocabulary import TreatmentRole

Rows = npt.NDArray[np.intp]


@dataclass(slots=True)
class ResourceRows:
    """A row number for every resource of all clinics, by role and id."""

    of: dict[tuple[TreatmentRole, int], int] = field(default_factory=dict)

    def rows(self, role: TreatmentRole, keys: Iterable[int]) -> Rows:
        """Numbers of resources of one role, in order; a new number the first time one is seen."""
        numbers = [self.of.setdefault((role, key), len(self.of)) for key in keys]
        return np.array(numbers, dtype=np.intp)


@dataclass(frozen=True, slots=True, eq=False)
class Staff:
    """Operators fit for some devices: positions in the clinic's list, and where each can start."""

    members: tuple[int, ...]
    able: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class Devices:
    """A laser with handpieces for an ink plan: where they can start, in which rooms, with whom.

    `rooms` are positions in the clinic's list, `staff` one in the entry's.
    """

    option: DeviceOption
    able: BoolArray
    rooms: tuple[int, ...]
    staff: int
    points: int


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """What one clinic could offer. All arrays over starts are ordered by points, then by time.

    `cells` are those of the grid, `marks` the same counted without time at which every clinic is
    closed. `points`: of the day, the hour and the clinic; devices and operators come on top.
    `days`: ordinals of the local days. `delay`: days after the old day (0 when before). `*_able`
    have the shape members x starts. `rows[role]`: the numbers of all members of the clinic (no
    patient unless there are several appointments).
    """

    clinic: ClinicCandidates
    cells: Ints
    marks: Ints
    points: Ints
    days: Ints
    delay: Ints
    deviation: Deviation
    parts: Mapping[TreatmentRole, Parts]
    rows: Mapping[TreatmentRole, Rows]
    room_able: BoolArray
    operator_points: Ints
    staffs: tuple[Staff, ...]
    devices: tuple[Devices, ...]

    def operators_at(self, devices: int, start: int) -> list[int]:
        """Positions of the operators who can start with a set of devices."""
        staff = self.staffs[self.devices[devices].staff]
        able = staff.able[:, start]
        return [one for one, can in zip(staff.members, able, strict=True) if can]


@dataclass(frozen=True, slots=True, eq=False)
class Menu:
    """The entries of one displaced appointment that offer anything.

    `too_late` says that there are starts, but all of them after `latest_on`.
    """

    displaced: Displaced
    entries: tuple[Entry, ...]
    too_late: bool

    @property
    def starts(self) -> int:
        """How many (clinic, start) pairs there are."""
        return sum(len(entry.cells) for entry in self.entries)

    @property
    def least_delay(self) -> int:
        """The fewest days after its old day that any of its options means; 0 without options."""
        return min((int(entry.delay.min()) for entry in self.entries), default=0)


@dataclass(slots=True, eq=False)
class Kitchen:
    """Makes menus; numbers the resources on the way."""

    problem: ReplanProblem
    resources: ResourceRows
    clinics: Mapping[int, ClinicCandidates]
    appointments: Counter[int]
    marks: Ints
    marked: int

    @classmethod
    def of(cls, problem: ReplanProblem) -> "Kitchen":
        """For all displaced appointments of a problem.

        No visit reaches beyond the opening hours of its clinic, so time at which all are closed
        can be left out without cutting a visit in two. A changeover may reach beyond.
        """
        opened = problem.grid.unpack(clinic.open for clinic in problem.clinics).any(axis=0)
        after = np.ones(1 + _changeover_cells(problem), dtype=np.bool_)
        opened = np.convolve(opened, after) > 0
        return cls(
            problem,
            ResourceRows(),
            {clinic.id: clinic for clinic in problem.clinics},
            Counter(one.patient_id for one in problem.displaced),
            np.cumsum(opened) - opened,
            int(opened.sum()),
        )

    def menu(self, displaced: Displaced) -> Menu:
        """Everything one appointment could be given, at all clinics that the patient accepts."""
        problem = self.problem
        search = problem.policy.search()
        zones: dict[object, ZoneFrame] = {}
        entries, late = [], False
        for clinic in (self.clinics[key] for key in displaced.clinic_ids):
            if clinic.zone not in zones:
                zones[clinic.zone] = zone_frame(
                    displaced.request, grid=problem.grid, zone=clinic.zone, policy=search
                )
            frame = clinic_frame(
                displaced.request,
                clinic=clinic,
                grid=problem.grid,
                zone=zones[clinic.zone],
                policy=search,
            )
            if not len(frame.columns):
                continue
            offered = frame.feasible()
            if displaced.latest_on is not None:
                days = frame.zone.day_of_cell[frame.columns]
                in_time = days <= displaced.latest_on.toordinal()
                late |= bool((offered & ~in_time).any())
                offered &= in_time
            if offered.any():
                entries.append(self._entry(frame, np.flatnonzero(offered), displaced))
        return Menu(displaced, tuple(entries), late and not entries)

    def _entry(self, frame: ClinicFrame, offered: Rows, displaced: Displaced) -> Entry:
        clinic, policy = frame.clinic, self.problem.policy
        cells = frame.columns[offered].astype(np.int64)
        days = frame.zone.days
        deviation = Deviation.of(displaced, cells, grid=self.problem.grid, days=days)
        moved = policy.other_clinic * (clinic.id != displaced.old.clinic_id)
        points = deviation.points(policy) + moved
        order = np.argsort(points, kind="stable")
        chosen, cells, deviation = offered[order], cells[order], deviation.at(order)
        known = displaced.request.familiar_operator_ids | {displaced.old.operator_id}
        strange = [policy.new_operator * (one.id not in known) for one in clinic.operators]
        staffs, devices = self._devices(frame, chosen)
        return Entry(
            clinic=clinic,
            cells=cells,
            marks=self.marks[cells],
            points=points[order],
            days=frame.zone.day_of_cell[cells].astype(np.int64),
            delay=np.maximum(deviation.from_old, 0),
            deviation=deviation,
            parts=self._parts(frame),
            rows=self._rows(clinic, displaced.patient_id),
            room_able=frame.able[TreatmentRole.ROOM][:, chosen],
            operator_points=np.array(strange, dtype=np.int64),
            staffs=staffs,
            devices=devices,
        )

    def _devices(
        self, frame: ClinicFrame, chosen: Rows
    ) -> tuple[tuple[Staff, ...], tuple[Devices, ...]]:
        staffs: list[Staff] = []
        numbers: dict[int, int] = {}
        listed = []
        for option in frame.options:
            rooms, crew = frame.rooms_for(option), frame.crew_for(option)
            able = frame.devices_able(option)[chosen]
            if not (rooms and crew.members and able.any()):
                continue
            # The frame gives the same crew object to all options that share it.
            if id(crew) not in numbers:
                numbers[id(crew)] = len(staffs)
                staffs.append(Staff(crew.members, crew.able[:, chosen]))
            listed.append(
                Devices(
                    option=option,
                    able=able,
                    rooms=rooms,
                    staff=numbers[id(crew)],
                    points=round(self.problem.policy.ink * (1 - option.plan.ink)),
                )
            )
        return tuple(staffs), tuple(listed)

    def _parts(self, frame: ClinicFrame) -> dict[TreatmentRole, Parts]:
        """Cells after the start in which each role is busy; a laser also with its changeover."""
        parts = dict(frame.timeline.parts)
        laser = TreatmentRole.LASER
        fitted = Counter(
            key
            for handpiece in frame.clinic.handpieces
            for key in {fitting.laser_id for fitting in handpiece.fitted}
        )
        if any(count > 1 for count in fitted.values()):
            after = _changeover_cells(self.problem)
            parts[laser] = tuple((begin, end + after) for begin, end in parts[laser])
        return {role: _merged(one) for role, one in parts.items()}

    def _rows(self, clinic: ClinicCandidates, patient_id: int) -> dict[TreatmentRole, Rows]:
        several = self.appointments[patient_id] > 1
        members: dict[TreatmentRole, Iterable[int]] = {
            TreatmentRole.PATIENT: [patient_id] if several else [],
            TreatmentRole.ROOM: (one.id for one in clinic.rooms),
            TreatmentRole.OPERATOR: (one.id for one in clinic.operators),
            TreatmentRole.LASER: (one.id for one in clinic.lasers),
            TreatmentRole.HANDPIECE: (one.id for one in clinic.handpieces),
        }
        return {role: self.resources.rows(role, keys) for role, keys in members.items()}


def _changeover_cells(problem: ReplanProblem) -> int:
    return -(-problem.policy.changeover_minutes // GRAIN_MINUTES)


def _merged(parts: Parts) -> Parts:
    """Parts that share a cell after rounding, as one."""
    merged: list[tuple[int, int]] = []
    for begin, end in parts:
        if merged and begin <= merged[-1][1]:
            merged[-1] = (merged[-1][0], end)
        else:
            merged.append((begin, end))
    return tuple(merged)
