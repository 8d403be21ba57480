"""Who on the waiting list could come when time has come free, most overdue first."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any, Final

from django.db.models import Exists, F, OuterRef, QuerySet

from clinics.hours import local_date
from clinics.querysets import HasChain
from core.spans import Span
from courses.errors import GapOver
from courses.models import Appointment, Gap, GapOffer, WaitingListEntry
from courses.science.errors import InvalidInput
from courses.selectors.appointments import open_at
from courses.selectors.candidates import Diary, diary_for
from courses.selectors.healing import Earliest
from courses.selectors.plans import Technique, VisitPlan, diary_timeline, visit_plans
from courses.selectors.spacing import after, stored_follow
from courses.selectors.visits import Visit, visit_of_slot
from courses.selectors.waiting import wishes_of_entry
from courses.slots import (
    GRAIN_MINUTES,
    ClinicCandidates,
    Grid,
    ScoreName,
    Slot,
    SlotRequest,
    Timeline,
    best_ink,
    feasible_starts,
    policy_of,
    search_slots,
)
from courses.vocabulary import AppointmentStatus, CourseStatus, OfferStatus, WaitingStatus

MAX_WAITING: Final = 2000
NEARLY: Final = 1e-9
# Nobody is asked to come some hours earlier on the same day.
WORTH_MOVING: Final = timedelta(days=1)
GRAIN: Final = timedelta(minutes=GRAIN_MINUTES)


@dataclass(frozen=True, slots=True)
class OpenTime:
    """Time that has come free at a clinic; with `laser_id`, on that laser."""

    clinic_id: int
    span: Span
    laser_id: int | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """Somebody who could come, with the best slot for them in that time.

    `overdue_days`: from the day advised (for skin never treated: since the entry) to the slot.
    `replaces`: the later visit that this one would be instead of.
    """

    entry: WaitingListEntry
    overdue_days: int
    slot: Slot
    timeline: Timeline
    replaces: Appointment | None

    @property
    def visit(self) -> Visit:
        """The slot as a visit."""
        technique = Technique(**self.entry.technique)
        return visit_of_slot(self.slot, self.timeline, passes=technique.passes)


@dataclass(frozen=True, slots=True)
class Waiting:
    """One who waits, with the plan of the visit and what the course has booked."""

    entry: Any
    plan: VisitPlan
    earliest: Earliest
    replaces: Appointment | None

    def overdue_days(self, on: date) -> int:
        """Days from the advised day to `on`; negative before it."""
        return (on - (self.earliest.advised_on or self.entry.since.date())).days


def require_not_over(opened: OpenTime, *, now: datetime) -> None:
    """Raise GapOver when nobody can come any more."""
    if opened.span.end <= now:
        raise GapOver(end=opened.span.end.isoformat())


def gap_candidates(
    opened: OpenTime,
    *,
    actor: HasChain,
    now: datetime,
    limit: int,
    entry_ids: Collection[int] | None = None,
) -> list[Candidate]:
    """Who of those who wait fits, most overdue first, at most `limit`. Five queries.

    A fit is a slot wholly in that time at which the skin is ready, the patient can and wishes to
    come, and the visit has its length, room, person, and the laser of this clinic that serves
    most of the ink. `entry_ids` asks of these only.
    """
    waiting = _waiting(opened, actor=actor, now=now, entry_ids=entry_ids)
    grid = _grid(opened.span)
    diary = diary_for(
        preferences={opened.clinic_id: 1.0},
        patient_resource_ids=[one.plan.patient_resource_id for one in waiting],
        grid=grid,
        now=now,
        actor=actor,
    )
    if not diary.clinics:
        return []
    [clinic] = diary.clinics
    day = local_date(opened.span.start, clinic.zone)
    ranked = sorted(
        waiting,
        key=lambda one: (
            -one.overdue_days(day),
            -one.entry.preference,
            one.entry.since,
            one.entry.pk,
        ),
    )
    found: list[Candidate] = []
    for one in ranked:
        candidate = _fit(one, opened, clinic=clinic, grid=grid, diary=diary, now=now)
        if candidate is not None:
            found.append(candidate)
        if len(found) == limit:
            break
    return found


def waiting_at(clinic_id: int, *, actor: HasChain) -> QuerySet[WaitingListEntry]:
    """Who waits for a visit at a clinic and may be asked: with the clinic's `preference`."""
    asked = GapOffer.objects.filter(entry=OuterRef("pk"), status=OfferStatus.OFFERED)
    rows: QuerySet[WaitingListEntry] = (
        WaitingListEntry.objects.visible_to(actor)
        .filter(
            ~Exists(asked),
            status=WaitingStatus.WAITLIST,
            clinics__clinic=clinic_id,
            course__status=CourseStatus.ACTIVE,
            course__patient__deceased=False,
        )
        .annotate(preference=F("clinics__preference"))
        .select_related("course__patient")
        .order_by("since", "pk")
    )
    return rows


def opened_by(appointment: Appointment) -> OpenTime:
    """The time that an appointment took which no longer stands."""
    return OpenTime(
        clinic_id=appointment.clinic_id,
        span=Span(appointment.starts_at, appointment.ends_at),
        laser_id=appointment.laser_id,
    )


def open_time_of(gap: Gap) -> OpenTime:
    """The time that a gap offers."""
    span = Span(gap.period.lower, gap.period.upper)
    return OpenTime(clinic_id=gap.clinic_id, span=span, laser_id=gap.laser_id)


def _waiting(
    opened: OpenTime,
    *,
    actor: HasChain,
    now: datetime,
    entry_ids: Collection[int] | None,
) -> list[Waiting]:
    rows = waiting_at(opened.clinic_id, actor=actor)
    if entry_ids is not None:
        rows = rows.filter(pk__in=entry_ids)
    entries = list(rows[:MAX_WAITING])
    plans = visit_plans({entry.course_id for entry in entries}, actor=actor)
    standing = _standing(plans, now=now)
    found = []
    for entry in entries:
        booked = standing.get(entry.course_id, ())
        busy = any(one.status != AppointmentStatus.BOOKED for one in booked)
        if busy or entry.course_id not in plans:
            continue
        plan = plans[entry.course_id]
        later = [one for one in booked if one.starts_at >= opened.span.end + WORTH_MOVING]
        earliest = plan.earliest
        for one in booked:
            follow = stored_follow(one)
            if one not in later and follow is not None:
                earliest = after(earliest, follow)
        found.append(Waiting(entry, plan, earliest, later[0] if later else None))
    return found


def _standing(course_ids: Collection[int], *, now: datetime) -> Mapping[int, Sequence[Appointment]]:
    """Open appointments by course, in order of time. A hold or an arrival: not to be asked."""
    found: dict[int, list[Appointment]] = {}
    rows = Appointment.objects.filter(open_at(now), course__in=course_ids)
    for one in rows.select_related("clinic").order_by("starts_at", "pk"):
        found.setdefault(one.course_id, []).append(one)
    return found


def _fit(
    one: Waiting,
    opened: OpenTime,
    *,
    clinic: ClinicCandidates,
    grid: Grid,
    diary: Diary,
    now: datetime,
) -> Candidate | None:
    if not one.earliest.open_to_treatment:
        return None
    try:
        timeline = diary_timeline(one.plan.length(Technique(**one.entry.technique)))
    except InvalidInput:
        return None
    ready_at = one.earliest.closes_at or now
    if ready_at + timedelta(minutes=timeline.minutes) > grid.end:
        return None
    request = SlotRequest(
        timeline=timeline,
        needs=one.plan.needs,
        earliest_at=max(
            now + timedelta(hours=one.entry.notice_hours),
            opened.span.start,
            ready_at,
        ),
        window_closes_on=one.earliest.on,
        patient_busy=diary.busy_of(one.plan.patient_resource_id),
        wishes=wishes_of_entry(one.entry),
        familiar_operator_ids=one.plan.familiar_operator_ids,
        limit=1,
    )
    here = replace(clinic, lasers=_lasers(clinic, opened), preference=one.entry.preference)
    # A search that finds nothing goes on to say why, which nobody asks here.
    if not feasible_starts(request, grid=grid, clinic=here):
        return None
    answer = search_slots(
        request, grid=grid, clinics=[here], policy=policy_of(one.plan.search_policy)
    )
    for slot in answer.slots:
        served = next(part.value for part in slot.parts if part.name is ScoreName.INK)
        best = best_ink(one.plan.needs, clinic=clinic, grid=grid)
        if served >= best - NEARLY:
            day = local_date(slot.start, clinic.zone)
            return Candidate(one.entry, one.overdue_days(day), slot, timeline, one.replaces)
    return None


def _grid(span: Span) -> Grid:
    """The cells that begin in the span and, but for the first, lie wholly in it."""
    past_mark = timedelta(seconds=span.end.timestamp() % GRAIN.total_seconds())
    return Grid.covering(Span(span.start, max(span.end - past_mark, span.start + GRAIN)))


def _lasers(clinic: ClinicCandidates, opened: OpenTime) -> Any:
    if opened.laser_id is None:
        return clinic.lasers
    return tuple(laser for laser in clinic.lasers if laser.id == opened.laser_id)
