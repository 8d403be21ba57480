"""A clinic with two of everything, its visits of one day, and a laser that is locked out."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from clinics.access import Actor
from core.spans import Span
from courses.models import Appointment, Replan, ReplanRun
from courses.selectors.replanning.outages import Outage
from courses.services.booking import appointment_book
from courses.services.replans import Order, replan_create, run_solve
from courses.vocabulary import OutageKind
from tests.support.booking import NOW, Stage, make_running_course
from tests.support.courses import make_contact_point

DAY = NOW + timedelta(days=3)
"""Thursday, 5 March 2026, 8:00; the clinic opens at 9."""
WHOLE_DAY = Span(DAY, DAY + timedelta(hours=12))


@dataclass(frozen=True, slots=True)
class Broken:
    """A stage with appointments on its laser on one day."""

    stage: Stage
    appointments: list[Appointment]

    @property
    def desk(self) -> Actor:
        return self.stage.desk

    def outage(self, span: Span = WHOLE_DAY) -> Outage:
        return Outage(OutageKind.LASER, self.stage.laser.pk, span)


def book_visits(
    stage: Stage, count: int, *, first: datetime = DAY + timedelta(hours=2), minutes: int = 30
) -> list[Appointment]:
    """So many visits one after the other, each of a new patient with an e-mail address."""
    booked = []
    for number in range(count):
        course = make_running_course(stage.clinic)
        make_contact_point(course.patient)
        booked.append(
            appointment_book(
                course_id=course.pk,
                visit=stage.visit(first + number * timedelta(minutes=minutes), minutes=minutes),
                actor=stage.desk,
                now=NOW,
            )
        )
    return booked


def ask(
    broken: Broken,
    *outages: Outage,
    now: datetime = NOW,
    actor: Actor | None = None,
    **order: Any,
) -> Replan:
    """A re-plan for what is hit when the laser is away, or by these outages."""
    return replan_create(
        order=Order(outages=outages or [broken.outage()], **{"seconds": 30, **order}),
        actor=actor or broken.desk,
        now=now,
    )


def solve(replan: Replan, *, now: datetime = NOW) -> ReplanRun:
    """The newest run, solved."""
    newest = replan.runs.order_by("-number")[0]
    run_solve(run_id=newest.pk, clock=lambda: now, beat_seconds=None)
    newest.refresh_from_db()
    replan.refresh_from_db()
    return newest


def rows_of(run: ReplanRun) -> Sequence[Any]:
    """The rows in the order of the appointments."""
    return list(run.rows.order_by("pk"))
