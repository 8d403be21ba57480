"""Searches that cannot be made, refused with the field to mend."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from math import isfinite
from typing import Any

from clinics.hours import BadHours, WeeklyRule
from courses.slots.answer import ScoreName
from courses.slots.candidates import ClinicCandidates
from courses.slots.grid import CELLS_PER_DAY, GRAIN_MINUTES, Grid
from courses.slots.request import (
    ALL_WEEKDAYS,
    MAX_CHANGEOVER_MINUTES,
    MAX_CLINICS,
    MAX_HORIZON_DAYS,
    MAX_NEEDS,
    MAX_SLOTS,
    BadRequest,
    InkNeed,
    SearchPolicy,
    SlotRequest,
    TimeWish,
)

Problem = tuple[str, str]
MINUTES_PER_HOUR = 60


def check_search(
    request: SlotRequest, *, grid: Grid, clinics: Sequence[ClinicCandidates], policy: SearchPolicy
) -> None:
    """Raise BadRequest, naming the first field to mend."""
    for field, detail in _problems(request, grid, clinics, policy):
        raise BadRequest(field=field, rule="slot_search", message=detail)


def check_ahead(until: datetime, *, now: datetime) -> None:
    """Raise BadRequest when a search would end in the past."""
    if until <= now:
        message = f"It is over: nothing can be booked before {now.isoformat(timespec='seconds')}."
        raise BadRequest(field="latest_at", rule="in_the_past", message=message)


def check_clinics(count: int) -> None:
    """Raise BadRequest for more clinics than one search may be over."""
    if count > MAX_CLINICS:
        message = f"Search at most {MAX_CLINICS} clinics at once; name those that are accepted."
        raise BadRequest(field="clinics", rule="slot_search", message=message)


def check_wishes(wishes: tuple[TimeWish, ...]) -> None:
    """Raise BadRequest for a wish that no visit could meet, naming what to mend."""
    for field, detail in _wishes(wishes):
        raise BadRequest(field=field, rule="time_wish", message=detail)


def _problems(
    request: SlotRequest, grid: Grid, clinics: Sequence[ClinicCandidates], policy: SearchPolicy
) -> Iterator[Problem]:
    if request.earliest_at.utcoffset() is None:
        yield "earliest_at", "An instant needs an offset."
    if not 1 <= request.limit <= MAX_SLOTS:
        yield "limit", f"Ask for 1 to {MAX_SLOTS} slots."
    # A grid of whole days reaches up to a day beyond what is searched.
    if grid.cells > (MAX_HORIZON_DAYS + 1) * CELLS_PER_DAY:
        yield "horizon", f"Search at most {MAX_HORIZON_DAYS} days at once."
    yield from _needs(request.needs)
    yield from _wishes(request.wishes)
    yield from _clinics(clinics)
    yield from _policy(policy)


def _needs(needs: tuple[InkNeed, ...]) -> Iterator[Problem]:
    if not 1 <= len(needs) <= MAX_NEEDS:
        yield "needs", f"Name 1 to {MAX_NEEDS} needs."
    if any(count > 1 for count in Counter(need.key for need in needs).values()):
        yield "needs.key", "Every need has a key of its own."
    for need in needs:
        if not need.wavelengths_nm or min(need.wavelengths_nm) <= 0:
            yield "needs.wavelengths_nm", "A need names at least one wavelength, in nm."
        if not (isfinite(need.share) and 0 <= need.share <= 1):
            yield "needs.share", "A share of the visible area lies between 0 and 1."


def _wishes(wishes: tuple[TimeWish, ...]) -> Iterator[Problem]:
    for place, wish in enumerate(wishes):
        if not wish.weekdays or not wish.weekdays <= ALL_WEEKDAYS:
            yield f"wishes.{place}.weekdays", "Weekdays are 1 (Monday) to 7 (Sunday), at least one."
        try:
            WeeklyRule(1, wish.since, wish.until)
        except BadHours as problem:
            yield f"wishes.{place}.until", f"{problem}."


def _clinics(clinics: Sequence[ClinicCandidates]) -> Iterator[Problem]:
    if len(clinics) > MAX_CLINICS:
        yield "clinics", f"Search at most {MAX_CLINICS} clinics at once."
    if len({clinic.id for clinic in clinics}) < len(clinics):
        yield "clinics", "A clinic is named once."
    if not all(0 <= clinic.preference <= 1 for clinic in clinics):
        yield "clinics.preference", "A preference lies between 0 and 1."


def _policy(policy: SearchPolicy) -> Iterator[Problem]:
    weights = [getattr(policy, name.value) for name in ScoreName]
    if not all(isfinite(weight) and weight >= 0 for weight in weights) or not sum(weights) > 0:
        yield "policy", "Weights are 0 or more, and not all 0."
    if not policy.closeness_half_life_days > 0:
        yield "policy.closeness_half_life_days", "It is more than 0 days."
    step = policy.start_step_minutes
    if step < GRAIN_MINUTES or step % GRAIN_MINUTES or MINUTES_PER_HOUR % step:
        yield "policy.start_step_minutes", "It is 5, 10, 15, 20, 30 or 60 minutes."
    if not 0 <= policy.changeover_minutes <= MAX_CHANGEOVER_MINUTES:
        yield "policy.changeover_minutes", f"It is 0 to {MAX_CHANGEOVER_MINUTES} minutes."
    if policy.slots_per_day < 1 or policy.min_apart_minutes < 0 or policy.useful_gap_minutes < 0:
        yield "policy", "At least one slot a day; minutes are not negative."


def policy_of(stored: Mapping[str, Any]) -> SearchPolicy:
    """A chain's stored weights as a policy; what is not named keeps its default.

    Raises BadRequest for a name that is no weight, and for a value it cannot have.
    """
    known = {field.name: field.type for field in fields(SearchPolicy)}
    for name, value in stored.items():
        if name not in known:
            raise BadRequest(
                field=name, rule="policy-name-unknown", message=f"There is no weight {name}."
            )
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise BadRequest(field=name, rule="policy-number", message=f"{name} is a number.")
    policy = SearchPolicy(**stored)
    for name, detail in _policy(policy):
        raise BadRequest(field=name, rule="policy-range", message=detail)
    return policy
