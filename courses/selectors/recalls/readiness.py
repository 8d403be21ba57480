"""Whose skin is ready, what is booked already, and how a patient may be reached."""

from datetime import UTC, datetime, timedelta
from typing import Final

from django.db.models import QuerySet

from clinics.hours.wall_time import zone_named
from courses.channels import reachable_channels
from courses.models import Appointment, ContactPoint, Course, Recall
from courses.selectors.appointments import open_at
from courses.selectors.healing import windows_of_course
from courses.timing import NIGHT_END, NIGHT_START, QuietHours
from courses.vocabulary import Channel, WindowState

# Nobody has said yet how yesterday's visit went: until then it counts as booked.
SETTLED_AFTER: Final = timedelta(days=1)


def ready_windows(course: Course) -> frozenset[int]:
    """The windows that count for the course when all of them are closed, else none.

    Empty too for a patient whose skin may never be treated. One query (and the patient).
    """
    if course.patient.gold_therapy_ever:
        return frozenset()
    rows = list(windows_of_course(course.pk).values_list("pk", "state"))
    if any(state != WindowState.CLOSED for _, state in rows):
        return frozenset()
    return frozenset(pk for pk, _ in rows)


def standing_appointment(course: Course, *, now: datetime) -> Appointment | None:
    """What the course has booked or held: the next one, or one of the last day. One query."""
    open_ones = Appointment.objects.filter(
        open_at(now), course=course, ends_at__gt=now - SETTLED_AFTER
    )
    return open_ones.order_by("starts_at", "pk").first()


def appointment_occasion(appointment: Appointment) -> str:
    """The unique key of one time of an appointment: a move makes it another occasion."""
    return f"appointment:{appointment.pk}:{appointment.starts_at.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def usable_contact_points(recall: Recall) -> QuerySet[ContactPoint]:
    """The patient's contact points that may be used and were not tried for this recall, by rank."""
    return (
        ContactPoint.objects.filter(
            patient=recall.course.patient_id,
            consent_at__isnull=False,
            opted_out_at__isnull=True,
            channel__in=reachable_channels(),
        )
        .exclude(messages__recall=recall)
        .select_related("patient__home_clinic")
        .order_by("rank", "pk")
    )


def quiet_hours_of(point: ContactPoint) -> QuietHours | None:
    """When not to disturb: the patient's own hours, or the night where a telephone would ring."""
    zone = zone_named(point.time_zone or point.patient.home_clinic.time_zone)
    if point.quiet_from is not None and point.quiet_until is not None:
        return QuietHours(start=point.quiet_from, end=point.quiet_until, zone=zone)
    if point.channel == Channel.SMS:
        return QuietHours(start=NIGHT_START, end=NIGHT_END, zone=zone)
    return None
