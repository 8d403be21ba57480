"""The estimate of courses: how many sessions, until when, how sure, and why."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import OuterRef, Subquery

from clinics.access import Actor
from clinics.hours import local_date, zone_named
from clinics.models import Chain
from courses.errors import CourseUnknown, NothingToTreat, input_refused
from courses.models import Appointment, Course, Tattoo
from courses.science.basis import CAUTION, Basis
from courses.science.estimate.answer import SessionEstimate, estimate_batch
from courses.science.estimate.course import CourseSessions, course_sessions
from courses.science.estimate.inputs import EstimateRequest, served_only
from courses.science.estimate.prior import PriorSettings
from courses.selectors.appointments import OPEN
from courses.selectors.estimation.priors import prior_of_chain
from courses.selectors.estimation.records import History, histories, sessions_done
from courses.selectors.estimation.requests import Setting, TattooRequest, tattoo_request
from courses.selectors.healing import Earliest, earliest_of, window_rows
from courses.selectors.healing_record import policy_of_chain
from courses.selectors.lines import chain_lines, fired_lines
from courses.selectors.plans import Technique
from courses.vocabulary import CourseStatus

RUNNING = (CourseStatus.DRAFT, CourseStatus.ACTIVE, CourseStatus.ON_HOLD)


@dataclass(frozen=True, slots=True)
class TattooEstimate:
    """One tattoo of a course, and what its estimate was made from."""

    made_from: TattooRequest
    estimate: SessionEstimate


@dataclass(frozen=True, slots=True)
class CourseEstimate:
    """A course: its tattoos, and all of them together.

    `booked_on`: the local day of an appointment that is booked. `lines_known`: whether the chain
    has lasers whose lines the forecast could look at. `served`: the course without the parts that
    no planned wavelength acts on, None when there are none (or nothing else is left).
    """

    course: Course
    tattoos: tuple[TattooEstimate, ...]
    sessions: CourseSessions
    served: CourseSessions | None
    left_out: tuple[tuple[int, str], ...]
    prior: PriorSettings
    earliest: Earliest
    booked_on: date | None
    next_on: date | None
    lines_known: bool
    basis: tuple[Basis, ...]
    caution: str = CAUTION

    @property
    def governed_by(self) -> int:
        """The tattoo that takes longest."""
        return self.tattoos[self.sessions.governed_by].made_from.tattoo_id


@dataclass(frozen=True, slots=True)
class _Plan:
    course: Any
    requests: tuple[TattooRequest, ...]
    served: tuple[EstimateRequest | None, ...]
    done: int
    earliest: Earliest
    booked_on: date | None
    next_on: date | None

    def asked(self) -> list[EstimateRequest]:
        """All requests of the course: the tattoos, then those without unserved parts."""
        return [one.request for one in self.requests] + [one for one in self.served if one]


def course_estimate(
    course_id: int, *, technique: Technique, actor: Actor, now: datetime
) -> CourseEstimate:
    """The estimate of one course of the actor's chain. Nine queries, whatever the course holds.

    `technique` reckons chair time. Raises CourseUnknown, NothingToTreat (a course without
    tattoos), InputRefused.
    """
    for found in course_estimates([course_id], technique=technique, actor=actor, now=now):
        return found
    if Course.objects.visible_to(actor).filter(pk=course_id).exists():
        raise NothingToTreat("The course names no tattoo.", course=course_id)
    raise CourseUnknown(course=course_id)


def course_estimates(
    course_ids: Iterable[int], *, technique: Technique, actor: Actor, now: datetime
) -> list[CourseEstimate]:
    """The estimates of several courses of the actor's chain, in the order of their keys.

    Nine queries, however many courses. One without tattoos is left out. Raises InputRefused for
    the first course that cannot be estimated.
    """
    read = _read(course_ids, actor=actor, now=now)
    courses = [course for course in read if course.tattoos.all()]
    if not courses:
        return []
    with input_refused():
        setting = setting_of_chain(courses[0].chain, technique=technique)
        tattoo_ids = {tattoo.pk for course in courses for tattoo in course.tattoos.all()}
        known = histories(tattoo_ids)
        plans = [_plan(course, known=known, setting=setting, now=now) for course in courses]
        asked = [request for plan in plans for request in plan.asked()]
        answers = iter(estimate_batch(asked))
    return [_answer(plan, [next(answers) for _ in plan.asked()], setting=setting) for plan in plans]


def setting_of_chain(chain: Chain, *, technique: Technique) -> Setting:
    """What all tattoos of a chain share. Two queries. Raises InvalidInput."""
    return Setting(
        prior=prior_of_chain(chain),
        policy=policy_of_chain(chain),
        lines=fired_lines(chain_lines(chain.pk)),
        technique=technique,
    )


def _read(course_ids: Iterable[int], *, actor: Actor, now: datetime) -> Any:
    booked = Appointment.objects.filter(
        course=OuterRef("pk"), status__in=OPEN, starts_at__gte=now
    ).order_by("starts_at")
    return (
        Course.objects.visible_to(actor)
        .filter(pk__in=list(course_ids))
        .select_related("patient", "chain", "clinic")
        .prefetch_related("tattoos__parts")
        .annotate(
            window_rows=ArraySubquery(window_rows(OuterRef("pk"))),
            booked_at=Subquery(booked.values("starts_at")[:1]),
            booked_zone=Subquery(booked.values("clinic__time_zone")[:1]),
        )
        .order_by("pk")
    )


def _plan(course: Any, *, known: Any, setting: Setting, now: datetime) -> _Plan:
    today = local_date(now, zone_named(course.clinic.time_zone))
    earliest = earliest_of(course.window_rows, gold_ever=course.patient.gold_therapy_ever)
    booked_on = (
        local_date(course.booked_at, zone_named(course.booked_zone)) if course.booked_at else None
    )
    next_on = _next_on(course, earliest=earliest, booked_on=booked_on, today=today)
    tattoos: Sequence[Tattoo] = list(course.tattoos.all())
    own: list[History] = [known[tattoo.pk] for tattoo in tattoos]
    requests = tuple(
        tattoo_request(
            tattoo,
            course=course,
            history=history,
            setting=setting,
            today=today,
            next_on=next_on,
        )
        for tattoo, history in zip(tattoos, own, strict=True)
    )
    return _Plan(
        course=course,
        requests=requests,
        served=tuple(served_only(one.request) for one in requests),
        done=sessions_done((row for history in own for row in history.passes), course_id=course.pk),
        earliest=earliest,
        booked_on=booked_on,
        next_on=next_on,
    )


def _next_on(
    course: Course, *, earliest: Earliest, booked_on: date | None, today: date
) -> date | None:
    """The day from which the calendar counts: what is booked, or the first day allowed."""
    if course.status not in RUNNING or earliest.barred:
        return None
    if booked_on is not None:
        return booked_on
    if not earliest.open_to_treatment:
        return None
    return max(today, earliest.on or today)


def _answer(plan: _Plan, answers: Sequence[SessionEstimate], *, setting: Setting) -> CourseEstimate:
    requests = [one.request for one in plan.requests]
    estimates = answers[: len(requests)]
    sessions = course_sessions(requests, estimates, done=plan.done)
    return CourseEstimate(
        course=plan.course,
        tattoos=tuple(
            TattooEstimate(made_from=request, estimate=estimate)
            for request, estimate in zip(plan.requests, estimates, strict=True)
        ),
        sessions=sessions,
        served=_served(plan, answers),
        left_out=_left_out(plan),
        prior=setting.prior,
        earliest=plan.earliest,
        booked_on=plan.booked_on,
        next_on=plan.next_on,
        lines_known=bool(setting.lines),
        basis=_basis(plan, estimates, sessions=sessions),
    )


def _served(plan: _Plan, answers: Sequence[SessionEstimate]) -> CourseSessions | None:
    """The course with every tattoo without its unserved parts, where it has any."""
    if not any(plan.served):
        return None
    further = iter(answers[len(plan.requests) :])
    chosen = [
        (one.request, whole) if served is None else (served, next(further))
        for one, served, whole in zip(plan.requests, plan.served, answers, strict=False)
    ]
    return course_sessions(
        [request for request, _ in chosen], [answer for _, answer in chosen], done=plan.done
    )


def _left_out(plan: _Plan) -> tuple[tuple[int, str], ...]:
    """(tattoo, part) of every part that `served` leaves out."""
    return tuple(
        (one.tattoo_id, part.key)
        for one, served in zip(plan.requests, plan.served, strict=True)
        if served is not None
        for part, kept in zip(one.request.assessment.parts, served.assessment.parts, strict=True)
        if kept.cleared and not part.cleared
    )


def _basis(
    plan: _Plan, estimates: Sequence[SessionEstimate], *, sessions: CourseSessions
) -> tuple[Basis, ...]:
    basis = [basis for one in estimates for basis in one.basis]
    basis += [basis for one in plan.requests for basis in one.spacing.basis]
    basis += [one.calendar.basis for one in estimates]
    if len(estimates) > 1:
        basis.append(sessions.basis)
    return tuple(dict.fromkeys(basis))
