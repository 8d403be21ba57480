"""The appointments of one course in their order, and which of them have become too early.

In a series the order is that of its positions: the second stays the second when the first is
moved past it, and is then too early. Otherwise the order is that of time.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import (
    DateTimeField,
    DurationField,
    Exists,
    ExpressionWrapper,
    F,
    OuterRef,
    Q,
    QuerySet,
    Value,
)
from django.db.models.functions import Coalesce

from courses.healing import REGISTRY, Policy
from courses.models import Appointment, Course, HealingWindow
from courses.selectors.appointments import held_at, open_at
from courses.selectors.healing import Earliest, earliest_of, window_rows, windows_of_course
from courses.selectors.spacing import after, stored_follow
from courses.slots import Reason
from courses.vocabulary import AppointmentStatus, WindowState

# Where nobody has projected it: the rule that always holds.
LEAST: Final = timedelta(days=REGISTRY["healing.base"].parameters_in(Policy()).whole("days"))


def comes_before(one: Appointment, other: Appointment) -> bool:
    """Whether the one is the earlier session of the two, of the same course."""
    if (
        one.series_id is not None
        and one.series_id == other.series_id
        and one.position is not None
        and other.position is not None
    ):
        return one.position < other.position
    return one.starts_at < other.starts_at


def free_again_at(appointment: Appointment) -> datetime:
    """From when another session could follow the appointment."""
    return appointment.next_earliest_at or appointment.starts_at + LEAST


def too_early(rows: QuerySet[Appointment], *, now: datetime) -> QuerySet[Appointment]:
    """Those of the appointments that stand, are still to come, and cannot be kept as they are.

    The skin will not have healed by then (a window closes later, or is held, or closes for no
    date), or the session before it is too close. One query for all that `rows` leaves; narrow it
    to a clinic or a span.
    """
    against = Q(state__in=[WindowState.HELD, WindowState.NEVER]) | Q(
        closes_at__gt=OuterRef("starts_at")
    )
    # Most patients have no such window at all, which is quick to see; of the others only those
    # windows count that are the newest of a tattoo of this course.
    anywhere = HealingWindow.objects.filter(against, course__patient=OuterRef("course__patient"))
    counting = windows_of_course(OuterRef("course")).filter(against)
    return rows.filter(Q(status=AppointmentStatus.BOOKED) | held_at(now), starts_at__gt=now).filter(
        Q(course__patient__gold_therapy_ever=True)
        | (Q(Exists(anywhere)) & Q(Exists(counting)))
        | Exists(_close_before(now=now))
    )


@dataclass(frozen=True, slots=True)
class TooEarly:
    """From when the session could be, and why not as it stands."""

    earliest: Earliest
    reasons: tuple[Reason, ...]


def why_too_early(appointments: Iterable[Appointment], *, now: datetime) -> dict[int, TooEarly]:
    """What stands against each of these (with their clinics), by id. Two queries for all."""
    listed = list(appointments)
    courses = _courses(listed)
    siblings = _siblings(courses, now=now)
    return {
        appointment.pk: _told(
            appointment,
            course=courses[appointment.course_id],
            siblings=siblings.get(appointment.course_id, ()),
        )
        for appointment in listed
    }


def _close_before(*, now: datetime) -> QuerySet[Appointment]:
    """Sessions before the outer one that leave the skin no time until it."""
    in_order = Q(series=OuterRef("series"), position__lt=OuterRef("position")) | Q(
        ~Q(own=F("outer")), starts_at__lt=OuterRef("starts_at")
    )
    least: Any = ExpressionWrapper(
        F("starts_at") + Value(LEAST, output_field=DurationField()), output_field=DateTimeField()
    )
    close: QuerySet[Appointment] = (
        Appointment.objects.filter(open_at(now), course=OuterRef("course"))
        .exclude(pk=OuterRef("pk"))
        .annotate(
            own=Coalesce("series_id", Value(0)),
            outer=Coalesce(OuterRef("series_id"), Value(-1)),
            free_again=Coalesce("next_earliest_at", least),
        )
        .filter(in_order, free_again__gt=OuterRef("starts_at"))
    )
    return close


def _courses(appointments: Sequence[Appointment]) -> Mapping[int, Any]:
    rows: Any = (
        Course.objects.filter(pk__in={one.course_id for one in appointments})
        .select_related("patient")
        .annotate(window_rows=ArraySubquery(window_rows(OuterRef("pk"))))
    )
    return {course.pk: course for course in rows}


def _siblings(courses: Iterable[int], *, now: datetime) -> dict[int, list[Appointment]]:
    found: dict[int, list[Appointment]] = {}
    standing = Appointment.objects.filter(open_at(now), course__in=list(courses))
    for one in standing.select_related("clinic").order_by("starts_at", "pk"):
        found.setdefault(one.course_id, []).append(one)
    return found


def _told(appointment: Appointment, *, course: Any, siblings: Sequence[Appointment]) -> TooEarly:
    earliest = earliest_of(course.window_rows, gold_ever=course.patient.gold_therapy_ever)
    reasons = list(_windows_against(appointment, earliest))
    for other in siblings:
        if other.pk == appointment.pk or not comes_before(other, appointment):
            continue
        follow = stored_follow(other)
        if follow is not None:
            earliest = after(earliest, follow)
        if free_again_at(other) > appointment.starts_at:
            reasons.append(
                Reason(
                    "too_soon_after",
                    f"The session before it, on {other.starts_at:%Y-%m-%d}, leaves the skin too"
                    " little time.",
                    {
                        "appointment": other.pk,
                        "starts_at": other.starts_at.isoformat(),
                        "earliest_at": free_again_at(other).isoformat(),
                    },
                )
            )
    return TooEarly(earliest, tuple(reasons))


def _windows_against(appointment: Appointment, earliest: Earliest) -> Iterable[Reason]:
    if earliest.barred:
        yield Reason(
            "window_never_closes",
            "This skin may never be treated.",
            {"healing_windows": list(earliest.never)},
        )
    if earliest.held:
        yield Reason(
            "window_held",
            "The healing window is held until a clinician has looked.",
            {"healing_windows": list(earliest.held)},
        )
    if earliest.closes_at is not None and earliest.closes_at > appointment.starts_at:
        yield Reason(
            "window_open",
            f"The healing window closes on {earliest.on}.",
            {"window_closes_on": earliest.on.isoformat() if earliest.on else None},
        )
