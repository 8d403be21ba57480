"""What displaced appointments need and from when on, or why no slot may be looked for."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Prefetch, QuerySet

from clinics.hours import local_date, zone_named
from clinics.querysets import HasChain
from core.spans import Span
from courses.models import AcceptedClinic, Appointment, WaitingListEntry
from courses.replan import Displaced, Follows, OldSlot
from courses.selectors.appointments import open_at
from courses.selectors.healing import Earliest
from courses.selectors.plans import VisitPlan, visit_plans
from courses.selectors.sequence import LEAST, comes_before, free_again_at
from courses.selectors.spacing import Follow, after, stored_follow
from courses.selectors.visits import timeline_from_json
from courses.selectors.waiting import wishes_of_entry
from courses.slots import GRAIN, Reason, SlotRequest, TimeWish
from courses.vocabulary import CourseStatus, WaitingStatus


@dataclass(frozen=True, slots=True)
class Wish:
    """Clinics that patients are sent to besides their own; how long before they must know."""

    clinic_ids: tuple[int, ...] = ()
    notice_hours: int = 24


@dataclass(frozen=True, slots=True)
class Needs:
    """An appointment as the re-plan takes it; `barred` says why no slot may be looked for."""

    appointment: Appointment
    displaced: Displaced | None
    barred: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True)
class _Context:
    """What was read for all of them."""

    plans: Mapping[int, VisitPlan]
    siblings: Mapping[int, Sequence[Appointment]]
    entries: Mapping[int, WaitingListEntry]
    moving: frozenset[int]
    wish: Wish
    now: datetime


def needs_of(
    appointments: Sequence[Appointment], *, wish: Wish, actor: HasChain, now: datetime
) -> list[Needs]:
    """What each of these (with clinic, course and patient) needs, in their order. Four queries.

    When the patient is busy elsewhere is not in it yet.
    """
    courses = sorted({one.course_id for one in appointments})
    context = _Context(
        plans=visit_plans(courses, actor=actor),
        siblings=_standing(courses, now=now),
        entries={entry.course_id: entry for entry in _waiting(courses)},
        moving=frozenset(one.pk for one in appointments),
        wish=wish,
        now=now,
    )
    return [_needs(one, context) for one in appointments]


def days_after(appointment: Appointment) -> int:
    """Local days from the visit until the same skin could be treated next, as was projected."""
    zone = zone_named(appointment.clinic.time_zone)
    return (local_date(free_again_at(appointment), zone) - _day(appointment)).days


def _day(appointment: Appointment) -> date:
    return local_date(appointment.starts_at, zone_named(appointment.clinic.time_zone))


def _needs(appointment: Appointment, context: _Context) -> Needs:
    course = appointment.course
    if course.status != CourseStatus.ACTIVE or course.patient.deceased:
        reason = Reason("course_not_running", "The course is not active.", {"course": course.pk})
        return Needs(appointment, None, (reason,))
    plan = context.plans.get(course.pk)
    if plan is None:
        reason = Reason("nothing_to_treat", "There is nothing that a laser could treat.", {})
        return Needs(appointment, None, (reason,))
    if not plan.earliest.open_to_treatment:
        return Needs(appointment, None, (_held(plan.earliest),))
    return Needs(appointment, _displaced(appointment, plan, context))


def _displaced(appointment: Appointment, plan: VisitPlan, context: _Context) -> Displaced:
    earliest, latest_on, follows = _between(appointment, plan.earliest, context)
    wishes, clinics = _wishes(appointment, context)
    told = context.now + timedelta(hours=context.wish.notice_hours)
    return Displaced(
        key=appointment.pk,
        patient_id=appointment.course.patient_id,
        request=SlotRequest(
            timeline=timeline_from_json(appointment.timeline),
            needs=plan.needs,
            # Whoever keeps the time need not hear of it before.
            earliest_at=max(
                context.now, min(told, appointment.starts_at), earliest.closes_at or context.now
            ),
            window_closes_on=earliest.on,
            # Of skin that was never treated nothing is advised but what was agreed.
            advised_on=earliest.advised_on or _day(appointment),
            wishes=wishes,
            familiar_operator_ids=plan.familiar_operator_ids,
            patient_busy=_untold(appointment, told=told),
        ),
        clinic_ids=clinics,
        old=OldSlot(appointment.starts_at, appointment.clinic_id, appointment.operator_id),
        latest_on=latest_on,
        follows=follows,
    )


def _untold(appointment: Appointment, *, told: datetime) -> tuple[Span, ...]:
    """What keeps a visit from any time but its own until the patient can know of another."""
    if told <= appointment.starts_at:
        return ()
    return (Span(appointment.ends_at, max(told, appointment.ends_at + GRAIN)),)


def _between(
    appointment: Appointment, earliest: Earliest, context: _Context
) -> tuple[Earliest, date | None, tuple[Follows, ...]]:
    """The time that the other visits of the course leave for this one."""
    follows: list[Follows] = []
    latest: list[date] = []
    for other in context.siblings.get(appointment.course_id, ()):
        if other.pk == appointment.pk:
            continue
        if comes_before(other, appointment):
            if other.pk in context.moving:
                follows.append(Follows(other.pk, days_after(other)))
            else:
                earliest = after(earliest, _follow(other))
        elif other.pk not in context.moving:
            latest.append(_latest_before(other, appointment))
    return earliest, min(latest, default=None), tuple(follows)


def _latest_before(other: Appointment, appointment: Appointment) -> date:
    """The last day that leaves the skin time until a later visit.

    Where there is too little time already, the day that it has.
    """
    latest = _day(other) - timedelta(days=days_after(appointment))
    too_close = free_again_at(appointment) > other.starts_at
    return max(latest, _day(appointment)) if too_close else latest


def _follow(appointment: Appointment) -> Follow:
    stored = stored_follow(appointment)
    if stored is not None:
        return stored
    zone = appointment.clinic.time_zone
    day = local_date(appointment.starts_at + LEAST, zone_named(zone))
    return Follow.on(day, advised_on=day, zone=zone)


def _wishes(
    appointment: Appointment, context: _Context
) -> tuple[tuple[TimeWish, ...], tuple[int, ...]]:
    """When and where the patient can come: also what the waiting list knows."""
    clinics = [appointment.clinic_id, *context.wish.clinic_ids]
    entry = context.entries.get(appointment.course_id)
    if entry is None:
        return (), tuple(dict.fromkeys(clinics))
    clinics += [accepted.clinic_id for accepted in entry.clinics.all()]
    return wishes_of_entry(entry), tuple(dict.fromkeys(clinics))


def _standing(courses: Iterable[int], *, now: datetime) -> dict[int, list[Appointment]]:
    found: dict[int, list[Appointment]] = {}
    rows = Appointment.objects.filter(open_at(now), course__in=list(courses))
    for one in rows.select_related("clinic").order_by("starts_at", "pk"):
        found.setdefault(one.course_id, []).append(one)
    return found


def _waiting(courses: Iterable[int]) -> QuerySet[WaitingListEntry]:
    accepted = Prefetch("clinics", AcceptedClinic.objects.order_by("-preference", "clinic_id"))
    return WaitingListEntry.objects.filter(
        course__in=list(courses), status=WaitingStatus.WAITLIST
    ).prefetch_related(accepted)


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
