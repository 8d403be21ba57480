"""The same answer as a search of the whole grid, from the days around the advised one alone.

A slot's score falls with the days from the advised one, and no other part of it is ever more
than 1. So when the best slots near that day all score higher than anything further away could,
nothing further away needs to be read. Else the search is made again over more days, in the end
over all of them. Where the earliest slots are wanted, days around the first possible one are
enough as soon as they hold enough slots.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta

from clinics.hours import local_date
from core.spans import Span
from courses.slots.answer import ScoreName, Slot, SlotAnswer
from courses.slots.candidates import ClinicCandidates
from courses.slots.checks import check_search
from courses.slots.grid import Grid
from courses.slots.options import ink_plans
from courses.slots.ranking import Weights
from courses.slots.request import SearchPolicy, SlotRequest
from courses.slots.search import Search

DAYS_AWAY = (8, 20)
ONE_DAY = timedelta(days=1)
# A visit takes half a day at most, and no clock is further behind UTC than that.
OVER_MIDNIGHT = ONE_DAY
ROUNDING = 1e-5


@dataclass(frozen=True, slots=True)
class Read:
    """What was read for a grid: (some of) the candidates, and when the patient is busy."""

    clinics: Sequence[ClinicCandidates]
    patient_busy: tuple[Span, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """What one lot of clinics brought: slots not told before; the whole answer with the last."""

    slots: tuple[Slot, ...]
    answer: SlotAnswer | None = None


@dataclass(frozen=True, slots=True)
class _Near:
    """A part of the grid that holds every start at most `days_away` days from the advised one.

    None: the whole grid.
    """

    request: SlotRequest
    grid: Grid
    days_away: int | None


def search_near_first(
    request: SlotRequest,
    *,
    grid: Grid,
    read: Callable[[Grid], Iterable[Read]],
    policy: SearchPolicy,
) -> SlotAnswer:
    """What `search_slots` answers for the whole grid, reading no more of it than is needed.

    `grid` is one of whole days; `read` gives the candidates for it or for some of its days, in
    one lot or several. Raises as search_slots.
    """
    for step in steps_near_first(request, grid=grid, read=read, policy=policy):
        if step.answer is not None:
            return step.answer
    raise AssertionError("the last step has an answer")


def steps_near_first(
    request: SlotRequest,
    *,
    grid: Grid,
    read: Callable[[Grid], Iterable[Read]],
    policy: SearchPolicy,
) -> Iterator[Step]:
    """The same step by step, one for each lot that is read, good slots as soon as they are found.

    Every slot that is told can be had; which are the best of all, the answer of the last says.
    """
    check_search(request, grid=grid, clinics=(), policy=policy)
    told: set[object] = set()
    for near in (*_nearer(request, grid), _Near(request, grid, None)):
        search = Search(near.request, grid=near.grid, policy=policy)
        best: tuple[Slot, ...] = ()
        for lot in read(near.grid):
            search.patient_busy(lot.patient_busy)
            search.add(lot.clinics)
            best = search.best()
            new = tuple(slot for slot in best if _key(slot) not in told)
            told.update(map(_key, new))
            yield Step(new)
        if near.days_away is None:
            yield Step((), SlotAnswer(best, () if best else search.bounds()))
        elif _is_settled(best, near, search.clinics, policy=policy):
            yield Step((), SlotAnswer(best, ()))
            return


def _key(slot: Slot) -> object:
    return slot.start, slot.clinic_id, slot.room_id, slot.operator_id, slot.laser_id


def _nearer(request: SlotRequest, grid: Grid) -> Iterator[_Near]:
    """Parts of the grid, each of them at most half of it."""
    earliest = max(request.earliest_at, grid.start)
    advised = None if request.earliest_first else request.advised_on
    if advised is None:
        advised = max(earliest.astimezone(UTC).date(), request.window_closes_on or date.min)
    for days_away in DAYS_AWAY:
        since = _midnight(advised - days_away * ONE_DAY) - ONE_DAY
        until = _midnight(advised + days_away * ONE_DAY) + ONE_DAY + OVER_MIDNIGHT
        # What is beside a visit counts: the rows reach a day further than the starts.
        first, after = max(since - ONE_DAY, grid.start), min(until + ONE_DAY, grid.end)
        if after - first <= ONE_DAY or 2 * (after - first) > grid.end - grid.start:
            return
        yield _Near(
            request=replace(
                request,
                earliest_at=max(request.earliest_at, since),
                latest_at=min(request.latest_at or grid.end, until),
            ),
            grid=Grid.whole_days(Span(first, after)),
            # Without an advised day it is the earliest one of each zone: one day more or less.
            days_away=days_away - (request.advised_on is None),
        )


def _is_settled(
    slots: Sequence[Slot], near: _Near, clinics: Sequence[ClinicCandidates], *, policy: SearchPolicy
) -> bool:
    """Whether no start further away would have been chosen instead of one of these."""
    if near.days_away is None or len(slots) < near.request.limit:
        return False
    if near.request.earliest_first:
        return True
    zones = {clinic.id: clinic.zone for clinic in clinics}
    days = Counter(local_date(slot.start, zones[slot.clinic_id]) for slot in slots)
    if max(days.values()) > policy.slots_per_day:
        return False
    away = (near.days_away + 1) / policy.closeness_half_life_days
    best = {
        ScoreName.CLOSENESS: 0.5**away,
        ScoreName.FRAGMENTATION: 1.0,
        ScoreName.CONTINUITY: float(bool(near.request.familiar_operator_ids)),
        ScoreName.PREFERENCE: max(clinic.preference for clinic in clinics),
        ScoreName.INK: _best_ink(near.request, clinics),
    }
    weights = Weights.from_policy(policy).of
    beyond = sum(weights[name] * value for name, value in best.items())
    return all(slot.score > beyond + ROUNDING for slot in slots)


def _best_ink(request: SlotRequest, clinics: Sequence[ClinicCandidates]) -> float:
    """The most ink that any laser there could serve, whatever is fitted to it."""
    emitted = {laser.wavelengths_nm for clinic in clinics for laser in clinic.lasers}
    plans = [plan.ink for lines in emitted for plan in ink_plans(request.needs, lines)[:1]]
    return max(plans, default=0.0)


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(0), tzinfo=UTC)
