"""Slot search: all conditions at once, over compact rows of free time."""

from collections.abc import Iterable
from datetime import date, datetime
from zoneinfo import ZoneInfo

from clinics.hours import local_date
from courses.slots.answer import SlotAnswer
from courses.slots.bounds import explain
from courses.slots.candidates import ClinicCandidates
from courses.slots.checks import check_search
from courses.slots.choice import choose
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
    listed = tuple(clinics)
    check_search(request, grid=grid, clinics=listed, policy=policy)
    weights = Weights.from_policy(policy)
    zones: dict[ZoneInfo, ZoneFrame] = {}
    ranked: list[RankedClinic] = []
    for clinic in listed:
        if clinic.zone not in zones:
            zones[clinic.zone] = zone_frame(request, grid=grid, zone=clinic.zone, policy=policy)
        zone = zones[clinic.zone]
        frame = clinic_frame(request, clinic=clinic, grid=grid, zone=zone, policy=policy)
        if len(frame.columns):
            day = advised_day(request, zone=clinic.zone, grid=grid)
            ranked.append(rank_clinic(frame, advised_on=day, policy=policy, weights=weights))
    slots = tuple(
        offer(
            ranked[number],
            column,
            advised_on=advised_day(request, zone=ranked[number].frame.clinic.zone, grid=grid),
            weights=weights,
        )
        for number, column in choose(ranked, limit=request.limit, policy=policy)
    )
    bounds = () if slots else explain(request, grid=grid, clinics=listed, policy=policy)
    return SlotAnswer(slots, bounds)


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
