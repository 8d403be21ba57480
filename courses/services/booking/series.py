"""The next sessions of a course booked at once, each at the advised interval after the last."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from clinics.access import Actor
from clinics.locks import lock_resources
from core.db import command, step
from core.spans import Span
from courses.errors import SeriesIncomplete
from courses.models import Appointment, AppointmentSeries, Course
from courses.selectors.appointments import course_open_appointments
from courses.selectors.plans import VisitPlan, visit_plan
from courses.selectors.slots import SearchOrder, slots_for_plan
from courses.selectors.spacing import Follow, after, follow_of, stored_follow
from courses.selectors.visits import Visit, visit_of_slot, visit_resources
from courses.services.booking.writing import (
    put_visit,
    require_apart,
    require_fit,
    running_course,
    write_visit,
)
from courses.slots import reason_json
from courses.vocabulary import AppointmentStatus


@dataclass(frozen=True, slots=True)
class SeriesOrder:
    """What a series is to be.

    `search` says what is looked for, and (its span) when the first session may be; without
    clinics it is the course's own. `first` is a slot that was chosen for the first session.
    Later ones are looked for from the advised day after the one before on, for `search_days`.
    """

    sessions: int
    search: SearchOrder
    first: Visit | None = None
    search_days: int = 28


@command
def series_book(
    *, course_id: int, order: SeriesOrder, actor: Actor, now: datetime
) -> AppointmentSeries:
    """Book the next sessions of a course; all of them or none.

    Raises SeriesIncomplete (no slot for one of them, with what bound), SlotTaken (one was taken
    while it was looked for: send the same again), and as `appointment_book`.
    """
    course = running_course(course_id, actor=actor)
    if order.first is not None:
        actor.require_at(order.first.place.clinic_id, "appointment.write")
    visits = _find(course, order, actor=actor, now=now)
    for clinic_id in sorted({visit.place.clinic_id for visit in visits}):
        actor.require_at(clinic_id, "appointment.write")
    series = AppointmentSeries.objects.create(course=course, booked_by_id=actor.staff_id)
    wanted = [
        visit_resources(visit.place, patient_id=course.patient_id, actor=actor) for visit in visits
    ]
    lock_resources({pk for resources in wanted for pk in resources.ids()})
    for position, (visit, resources) in enumerate(zip(visits, wanted, strict=True), start=1):
        appointment = Appointment(
            course=course,
            status=AppointmentStatus.BOOKED,
            booked_by_id=actor.staff_id,
            series=series,
            position=position,
        )
        put_visit(appointment, visit, course=course)
        require_apart(appointment, now=now)
        require_fit(course, visit, actor=actor, now=now, override=False)
        write_visit(appointment, visit, resources=resources, now=now)
    return series


@step
def _find(course: Course, order: SeriesOrder, *, actor: Actor, now: datetime) -> Sequence[Visit]:
    plan = visit_plan(course.pk, actor=actor)
    standing = course_open_appointments(course, now=now).select_related("clinic")
    for follow in filter(None, map(stored_follow, standing.order_by("starts_at", "pk"))):
        plan = replace(plan, earliest=after(plan.earliest, follow))
    search = order.search
    if not search.clinics:
        clinic_id = order.first.place.clinic_id if order.first else course.clinic_id
        search = replace(search, clinics={clinic_id: 1.0})
    visits: list[Visit] = []
    for number in range(1, order.sessions + 1):
        if number == 1 and order.first is not None:
            visit = order.first
        else:
            visit = _next(plan, search, number=number, actor=actor, now=now)
        visits.append(visit)
        follow = follow_of(course, visit)
        plan = replace(plan, earliest=after(plan.earliest, follow))
        search = replace(search, span=_span_after(follow, days=order.search_days))
    return visits


def _next(
    plan: VisitPlan, search: SearchOrder, *, number: int, actor: Actor, now: datetime
) -> Visit:
    found = slots_for_plan(plan, order=replace(search, limit=1), actor=actor, now=now)
    if not found.answer.slots:
        raise SeriesIncomplete(
            f"There is no slot for session {number} of the series.",
            number=number,
            start=search.span.start.isoformat(),
            end=search.span.end.isoformat(),
            bounds=[reason_json(reason) for reason in found.answer.bounds],
        )
    [slot] = found.answer.slots
    return visit_of_slot(slot, found.timeline, passes=search.technique.passes)


def _span_after(follow: Follow, *, days: int) -> Span:
    """From the advised day on; never before the earliest one."""
    start = max(follow.advised_at, follow.earliest_at)
    return Span(start, start + timedelta(days=days))
