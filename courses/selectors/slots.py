"""Slot search over the database, and the same conditions asked of one chosen visit."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from clinics.models import Clinic
from clinics.querysets import HasChain
from core.db import reading, within_chain
from core.spans import Span
from courses.errors import SlotTaken, UnalignedStart, input_refused
from courses.models import Course
from courses.selectors.candidates import diary_for, diary_of_place
from courses.selectors.healing import Earliest, earliest_and_policy
from courses.selectors.plans import (
    Described,
    Technique,
    VisitPlan,
    described_plan,
    diary_timeline,
    visit_plan,
)
from courses.selectors.spacing import Follow, after
from courses.selectors.visits import Visit
from courses.slots import (
    GRAIN,
    ClinicCandidates,
    Grid,
    InkNeed,
    Read,
    Reason,
    SearchPolicy,
    Slot,
    SlotAnswer,
    SlotRank,
    SlotRequest,
    Timeline,
    TimeWish,
    check_ahead,
    check_clinics,
    policy_of,
    search_near_first,
    search_slots,
    slot_json,
    steps_near_first,
)

BUSY_CODES = frozenset(
    {
        "patient_busy",
        "rooms_booked",
        "operators_booked",
        "lasers_booked",
        "handpieces_booked",
        "laser_changeover",
        "never_together",
    }
)
ORDER_POINTERS = {
    "earliest_at": "/start",
    "latest_at": "/end",
    "horizon": "/end",
    "operator_ids": "/operators",
    "plan": "/technique",
}
AS_IT_IS = SearchPolicy()
ALTERNATIVES = 3
ALTERNATIVE_DAYS = 28
CLINICS_AT_ONCE = 10


USUAL = Technique()


@dataclass(frozen=True, slots=True)
class SearchOrder:
    """What a caller asks of a slot search.

    `clinics` maps accepted clinics to the patient's preference (0..1); empty means every clinic
    of the chain alike. `span` is searched. `minutes` books a whole visit of that length instead
    of the computed timeline, `timeline` a visit of that form. `wavelengths_nm` must all be
    emitted, instead of what the ink needs. `follows` a visit that is still to come. `rank` is
    the order in which slots are chosen and shown.
    """

    span: Span
    clinics: Mapping[int, float] = field(default_factory=dict)
    wishes: tuple[TimeWish, ...] = ()
    operator_ids: frozenset[int] | None = None
    technique: Technique = USUAL
    minutes: int | None = None
    timeline: Timeline | None = None
    wavelengths_nm: tuple[int, ...] = ()
    follows: Follow | None = None
    limit: int = 10
    rank: SlotRank = SlotRank.BEST


@dataclass(frozen=True, slots=True)
class Found:
    """The answer of a search, and what was searched for."""

    answer: SlotAnswer
    timeline: Timeline
    needs: tuple[InkNeed, ...]
    earliest: Earliest


def slots_for(
    target: int | Described, *, order: SearchOrder, actor: HasChain, now: datetime
) -> Found:
    """Ranked slots for the next visit of a course (its key) or a described one, or what bound.

    Three queries; four without clinics named, two more each time that the days around the
    advised one do not settle it. Raises CourseUnknown, NothingToTreat, InputRefused.
    """
    plan = _plan_of(target, actor=actor)
    return slots_for_plan(plan, order=order, actor=actor, now=now)


def slots_for_plan(plan: VisitPlan, *, order: SearchOrder, actor: HasChain, now: datetime) -> Found:
    """The same for a plan already read."""
    return _found(_prepare(plan, order, now=now), order=order, actor=actor, now=now)


def slots_step_by_step(
    target: int | Described, *, order: SearchOrder, actor: HasChain, now: datetime
) -> Iterator[tuple[Slot, ...] | Found]:
    """Good slots as soon as they are found, some clinics at a time; last of all what was found.

    Clinics that the patient prefers come first. Every slot that is told can be had; which are
    the best of all, and in which order, is in what was found: the same as `slots_for` gives.
    Two queries for each lot of clinics. Raises as `slots_for`, at the first step.
    """
    search = _prepare(_plan_of(target, actor=actor), order, now=now)
    if search.request is None:
        yield search.found
        return
    preferences = _accepted(order, actor)
    ids = sorted(preferences, key=lambda pk: (-preferences[pk], pk))
    lots = [ids[at : at + CLINICS_AT_ONCE] for at in range(0, len(ids), CLINICS_AT_ONCE)]
    with input_refused(ORDER_POINTERS):
        for step in steps_near_first(
            search.request,
            grid=Grid.whole_days(order.span),
            read=_reader(
                search.plan,
                lots=[{pk: preferences[pk] for pk in lot} for lot in lots] or [{}],
                actor=actor,
                now=now,
            ),
            policy=policy_of(search.plan.search_policy),
        ):
            if step.answer is None:
                yield step.slots
            else:
                yield replace(search.found, answer=step.answer)


@dataclass(frozen=True, slots=True)
class _Prepared:
    """A search before anything is read; without a request it cannot find anything."""

    plan: VisitPlan
    request: SlotRequest | None
    found: Found


def _plan_of(target: int | Described, *, actor: HasChain) -> VisitPlan:
    if isinstance(target, Described):
        with input_refused():
            return described_plan(target, actor=actor)
    return visit_plan(target, actor=actor)


def _prepare(plan: VisitPlan, order: SearchOrder, *, now: datetime) -> _Prepared:
    with input_refused(ORDER_POINTERS):
        check_ahead(order.span.end, now=now)
    if order.follows is not None:
        plan = replace(plan, earliest=after(plan.earliest, order.follows))
    timeline = _timeline(plan, order)
    needs = _explicit_needs(order.wavelengths_nm) or plan.needs
    if not plan.earliest.open_to_treatment:
        nothing = SlotAnswer((), (_held(plan.earliest),))
        return _Prepared(plan, None, Found(nothing, timeline, needs, plan.earliest))
    request = SlotRequest(
        timeline=timeline,
        needs=needs,
        # The window closes at one instant, which is another date in another zone.
        earliest_at=max(now, order.span.start, plan.earliest.closes_at or now),
        window_closes_on=plan.earliest.on,
        advised_on=plan.earliest.advised_on,
        wishes=order.wishes,
        operator_ids=order.operator_ids,
        familiar_operator_ids=plan.familiar_operator_ids,
        limit=order.limit,
        latest_at=order.span.end,
        earliest_first=order.rank is SlotRank.EARLIEST,
    )
    return _Prepared(plan, request, Found(SlotAnswer((), ()), timeline, needs, plan.earliest))


def _found(search: _Prepared, *, order: SearchOrder, actor: HasChain, now: datetime) -> Found:
    if search.request is None:
        return search.found
    lots = [_accepted(order, actor)]
    with input_refused(ORDER_POINTERS):
        answer = search_near_first(
            search.request,
            grid=Grid.whole_days(order.span),
            read=_reader(search.plan, lots=lots, actor=actor, now=now),
            policy=policy_of(search.plan.search_policy),
        )
    return replace(search.found, answer=answer)


def _reader(
    plan: VisitPlan, *, lots: Sequence[Mapping[int, float]], actor: HasChain, now: datetime
) -> Callable[[Grid], Iterator[Read]]:
    """What reads these lots of clinics (with the preference for each) for a grid."""

    def read(grid: Grid) -> Iterator[Read]:
        for preferences in lots:
            diary = diary_for(
                preferences=preferences,
                patient_resource_ids=[plan.patient_resource_id],
                grid=grid,
                now=now,
                actor=actor,
            )
            yield Read(diary.clinics, diary.busy_of(plan.patient_resource_id))

    return read


class Fitness(StrEnum):
    """Whether a chosen visit can be booked now."""

    FIT = "fit"
    TAKEN = "taken"
    UNFIT = "unfit"


def visit_fitness(
    course: Course,
    visit: Visit,
    *,
    actor: HasChain,
    now: datetime,
    override_window: bool = False,
) -> tuple[Fitness, tuple[Reason, ...]]:
    """Whether the visit fits, asked of the same search with this one start, place and people.

    Inside the booking's locks this is the check that counts. `override_window` leaves the
    healing window out: a treating clinician has given a reason. No reason does for skin that may
    never be treated.
    """
    earliest, stored = earliest_and_policy(course)
    if earliest.barred or not (override_window or earliest.open_to_treatment):
        return Fitness.UNFIT, (_held(earliest),)
    if visit.starts_at.timestamp() % GRAIN.total_seconds():
        raise UnalignedStart(start=visit.starts_at.isoformat())
    if visit.starts_at < now:
        return Fitness.UNFIT, (_over(now),)
    opens = [now] if override_window else [now, earliest.closes_at or now]

    def ask(policy: SearchPolicy) -> SlotAnswer:
        # What is beside the visit counts where the laser must be changed over.
        around = timedelta(minutes=policy.changeover_minutes)
        grid = Grid.covering(Span(visit.starts_at - around, visit.ends_at + around))
        diary = diary_of_place(
            visit.place,
            patient_resource_id=course.patient.resource_id,
            grid=grid,
            now=now,
            actor=actor,
        )
        if missing := tuple(_missing(diary.clinics, visit)):
            return SlotAnswer((), missing)
        request = SlotRequest(
            timeline=visit.timeline,
            needs=_explicit_needs(visit.wavelengths_nm),
            earliest_at=max(visit.starts_at, *opens),
            latest_at=visit.ends_at,
            window_closes_on=None if override_window else earliest.on,
            patient_busy=diary.busy_of(course.patient.resource_id),
            limit=1,
        )
        return search_slots(request, grid=grid, clinics=diary.clinics, policy=policy)

    answer = ask(AS_IT_IS)
    minutes = policy_of(stored).changeover_minutes
    if answer.slots and minutes:
        answer = ask(SearchPolicy(changeover_minutes=minutes))
    if answer.slots:
        return Fitness.FIT, ()
    taken = {reason.code for reason in answer.bounds} <= BUSY_CODES
    return (Fitness.TAKEN if taken else Fitness.UNFIT), answer.bounds


def slot_taken(course_id: int, visit: Visit, *, actor: HasChain, now: datetime) -> SlotTaken:
    """The refusal for a visit somebody else was quicker for, with slots close to it.

    The alternatives are read when the answer is written: after the failed transaction.
    """

    def alternatives() -> Sequence[Any]:
        order = SearchOrder(
            span=Span(
                max(now, visit.starts_at - timedelta(days=ALTERNATIVE_DAYS)),
                visit.starts_at + timedelta(days=ALTERNATIVE_DAYS),
            ),
            clinics={visit.place.clinic_id: 1.0},
            limit=ALTERNATIVES,
        )
        with within_chain(actor.chain_id), reading():
            plan = visit_plan(course_id, actor=actor)
            near = replace(plan.earliest, advised_on=visit.starts_at.date())
            found = slots_for_plan(replace(plan, earliest=near), order=order, actor=actor, now=now)
        return [slot_json(slot) for slot in found.answer.slots]

    return SlotTaken(alternatives=alternatives)


def _timeline(plan: VisitPlan, order: SearchOrder) -> Timeline:
    if order.timeline is not None:
        return order.timeline
    if order.minutes is not None:
        with input_refused():
            return Timeline.whole_visit(order.minutes)
    with input_refused(ORDER_POINTERS):
        return diary_timeline(plan.length(order.technique))


def _explicit_needs(wavelengths_nm: Sequence[int]) -> tuple[InkNeed, ...]:
    return tuple(
        InkNeed(key=str(nm), wavelengths_nm=(nm,), share=1 / len({*wavelengths_nm}))
        for nm in dict.fromkeys(wavelengths_nm)
    )


def _accepted(order: SearchOrder, actor: HasChain) -> Mapping[int, float]:
    preferences = order.clinics
    if not preferences:
        ids = Clinic.objects.visible_to(actor).filter(active=True).values_list("pk", flat=True)
        preferences = dict.fromkeys(ids, 1.0)
    with input_refused():
        check_clinics(len(preferences))
    return preferences


def _held(earliest: Earliest) -> Reason:
    if earliest.barred:
        return Reason(
            "window_never_closes",
            "This skin may never be treated.",
            {"healing_windows": list(earliest.never)},
        )
    return Reason(
        "window_held",
        "The healing window is held until a clinician has looked.",
        {"healing_windows": list(earliest.held)},
    )


def _over(now: datetime) -> Reason:
    instant = now.isoformat(timespec="seconds")
    return Reason("in_the_past", f"Nothing can be booked before {instant}.", {"now": instant})


def _missing(clinics: Sequence[ClinicCandidates], visit: Visit) -> Sequence[Reason]:
    if not clinics:
        return [Reason("clinic_not_active", "The clinic is not in use.", {})]
    (clinic,) = clinics
    place = visit.place
    checks = (
        (clinic.rooms, "room_not_here", "The room is not in use at this clinic."),
        (clinic.operators, "operator_off_shift", "The operator has no shift here at that time."),
        (clinic.lasers, "laser_not_here", "The laser is not in use at this clinic."),
        (
            len(clinic.handpieces) == len(place.handpiece_ids),
            "handpiece_not_fitted",
            "A handpiece is not fitted to a laser of this clinic at that time.",
        ),
    )
    return [Reason(code, detail, {}) for found, code, detail in checks if not found]
