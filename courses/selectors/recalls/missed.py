"""Courses whose skin is ready, that have nothing booked, and of which nobody was told since.

The closing of a window tells the patient once. What happens afterwards (a visit cancelled, a
patient who did not come, a course taken up again) would leave them without a call.
"""

from datetime import datetime, timedelta
from typing import Final

from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce, Greatest

from courses.models import Appointment, Course, Recall
from courses.selectors.appointments import open_at
from courses.selectors.healing import windows_of_course
from courses.selectors.recalls.readiness import SETTLED_AFTER
from courses.vocabulary import (
    AppointmentStatus,
    CourseStatus,
    RecallKind,
    RecallReason,
    RequestStatus,
    WindowState,
)

# Older ones are a matter for people: an import of old records must not write to everybody.
LOOK_BACK: Final = timedelta(days=90)
CHUNK: Final = 1000
FELL_THROUGH: Final = (AppointmentStatus.CANCELLED, AppointmentStatus.NOSHOW)
# Reasons of the service's own: a person's reason to withdraw a recall stands.
OWN_REASONS: Final = tuple(RecallReason)


def running_courses(*, after: int) -> list[int]:
    """The next active courses by key, a thousand at most."""
    rows = Course.objects.filter(status=CourseStatus.ACTIVE, pk__gt=after)
    return list(rows.order_by("pk").values_list("pk", flat=True)[:CHUNK])


def missed_courses(pks: list[int], *, now: datetime) -> QuerySet[Course]:
    """Those of the courses that should have been called and were not. One query."""
    counting = windows_of_course(OuterRef("pk"))
    standing = Appointment.objects.filter(
        open_at(now), course=OuterRef("pk"), ends_at__gt=now - SETTLED_AFTER
    )
    fallen = Appointment.objects.filter(course=OuterRef("pk"), status__in=FELL_THROUGH)
    found: QuerySet[Course] = (
        Course.objects.filter(
            pk__in=pks,
            status=CourseStatus.ACTIVE,
            patient__deceased=False,
            patient__gold_therapy_ever=False,
        )
        .annotate(
            ready_at=Subquery(counting.order_by("-closes_at").values("closes_at")[:1]),
            fell_at=Subquery(fallen.order_by("-updated_at").values("updated_at")[:1]),
        )
        .annotate(since=Greatest("ready_at", Coalesce("fell_at", "ready_at")))
        .filter(
            ~Exists(counting.exclude(state=WindowState.CLOSED)),
            ~Exists(standing),
            ~Exists(_told()),
            ready_at__gt=now - LOOK_BACK,
        )
    )
    return found


def _told() -> QuerySet[Recall]:
    invitations = Recall.objects.filter(course=OuterRef("pk"), kind=RecallKind.INVITATION)
    return invitations.filter(
        Q(status__in=[RequestStatus.ACTIVE, RequestStatus.ON_HOLD])
        | Q(status=RequestStatus.COMPLETED, updated_at__gt=OuterRef("since"))
        | (
            Q(status=RequestStatus.REVOKED, updated_at__gt=OuterRef("since"))
            & ~Q(status_reason__in=OWN_REASONS)
        )
    )
