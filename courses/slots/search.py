"""Slot search: all conditions at once, over compact rows of free time."""

from collections.abc import Iterable
from datetime import datetime

from courses.slots.answer import SlotAnswer
from courses.slots.candidates import ClinicCandidates
from courses.slots.grid import Grid
from courses.slots.request import DEFAULT_POLICY, SearchPolicy, SlotRequest


def search_slots(
    request: SlotRequest,
    *,
    grid: Grid,
    clinics: Iterable[ClinicCandidates],
    policy: SearchPolicy = DEFAULT_POLICY,
) -> SlotAnswer:
    """Ranked slots within the grid, or the conditions that bound. Raises BadRequest."""
    raise NotImplementedError


def feasible_starts(
    request: SlotRequest,
    *,
    grid: Grid,
    clinic: ClinicCandidates,
    policy: SearchPolicy = DEFAULT_POLICY,
) -> list[datetime]:
    """Every start at which the clinic could serve the request, sorted. Raises BadRequest."""
    raise NotImplementedError
