"""Slot search: all conditions at once, over compact rows of free time."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from clinics.hours import local_date
from core.spans import Span
from courses.slots.answer import Reason, Slot, SlotAnswer
from courses.slots.bounds import explain
from courses.slots.candidates import ClinicCandidates
from courses.slots.checks import check_search
from courses.slots.choice import choose, earliest
from courses.slots.clinic_frame import clinic_frame
from courses.slots.grid import Grid
from courses.slots.offers import offer
from courses.slots.ranking import RankedClinic, Weights, rank_clinic
from courses.slots.request import DEFAULT_POLICY, SearchPolicy, SlotRequest
from courses.slots.zone_frame import ZoneFrame, zone_frame


def search_slots(
    request: SlotRequest,
    *,
    grid: Grid,
    clinics: Iterable[ClinicCandidates],
    policy: SearchPolicy = DEFAULT_POLICY,
) -> SlotAnswer:
    """Ranked slots within the grid, or, when there are none, the conditions that bound.

    Every slot lies wholly in the grid and in opening hours; everyone and everything in it is
    free and fit for all of it. Deterministic. Raises BadRequest, and ValueError for a row that
    does not fit the grid.
    """
    search = Search(request, grid=grid, policy=policy)
    search.add(clinics)
    return search.answer()


class Search:
    """A search to which clinics are added in lots; `best` is what they offer so far.

    Raises as search_slots.
    """

    def __init__(self, request: SlotRequest, *, grid: Grid, policy: SearchPolicy) -> None:
        check_search(request, grid=grid, clinics=(), policy=policy)
        self.request, self.grid, self.policy = request, grid, policy
        self._weights = Weights.from_policy(policy)
        self._zones: dict[ZoneInfo, ZoneFrame] = {}
        self.clinics: list[ClinicCandidates] = []
        self._ranked: list[RankedClinic] = []

    def patient_busy(self, spans: tuple[Span, ...]) -> None:
        """Say when the patient is busy, before any clinic is added."""
        if spans != self.request.patient_busy:
            self.request = replace(self.request, patient_busy=spans)
            self._zones.clear()

    def add(self, clinics: Iterable[ClinicCandidates]) -> None:
        """Rank the starts of further clinics."""
        new = tuple(clinics)
        self.clinics += new
        check_search(self.request, grid=self.grid, clinics=self.clinics, policy=self.policy)
        for clinic in new:
            frame = clinic_frame(
                self.request,
                clinic=clinic,
                grid=self.grid,
                zone=self._zone(clinic.zone),
                policy=self.policy,
            )
            if len(frame.columns):
                day = self._advised(clinic.zone)
                ranked = rank_clinic(
                    frame, advised_on=day, policy=self.policy, weights=self._weights
                )
                self._ranked.append(ranked)

    def best(self) -> tuple[Slot, ...]:
        """The slots to offer of all clinics so far, in their order."""
        pick = earliest if self.request.earliest_first else choose
        chosen = pick(self._ranked, limit=self.request.limit, policy=self.policy)
        return tuple(
            offer(
                self._ranked[number],
                column,
                advised_on=self._advised(self._ranked[number].frame.clinic.zone),
                weights=self._weights,
            )
            for number, column in chosen
        )

    def answer(self) -> SlotAnswer:
        """The best slots, or which conditions bound."""
        slots = self.best()
        return SlotAnswer(slots, () if slots else self.bounds())

    def bounds(self) -> tuple[Reason, ...]:
        """Which conditions bound, when there is no slot."""
        clinics = sorted(self.clinics, key=lambda clinic: clinic.id)
        return explain(self.request, grid=self.grid, clinics=clinics, policy=self.policy)

    def _zone(self, zone: ZoneInfo) -> ZoneFrame:
        if zone not in self._zones:
            self._zones[zone] = zone_frame(
                self.request, grid=self.grid, zone=zone, policy=self.policy
            )
        return self._zones[zone]

    def _advised(self, zone: ZoneInfo) -> date:
        return advised_day(self.request, zone=zone, grid=self.grid)


def feasible_starts(
    request: SlotRequest,
    *,
    grid: Grid,
    clinic: ClinicCandidates,
    policy: SearchPolicy = DEFAULT_POLICY,
) -> list[datetime]:
    """Every start at which the clinic could serve the request, sorted. Raises as search_slots."""
    check_search(request, grid=grid, clinics=(clinic,), policy=policy)
    zone = zone_frame(request, grid=grid, zone=clinic.zone, policy=policy)
    frame = clinic_frame(request, clinic=clinic, grid=grid, zone=zone, policy=policy)
    return [grid.instant(int(cell)) for cell in frame.columns[frame.feasible()]]


def advised_day(request: SlotRequest, *, zone: ZoneInfo, grid: Grid) -> date:
    """The local day to be close to: the advised one, else the earliest allowed."""
    if request.advised_on is not None:
        return request.advised_on
    earliest = local_date(max(request.earliest_at, grid.start), zone)
    return max(earliest, request.window_closes_on or earliest)
