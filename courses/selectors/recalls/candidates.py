"""Rows that a tick has something to do with. Reading them costs what is due, not what there is."""

from datetime import datetime, timedelta
from typing import Final

from django.db.models import (
    CharField,
    DateTimeField,
    Exists,
    F,
    Func,
    OuterRef,
    QuerySet,
    Value,
)
from django.db.models.functions import Cast, Concat

from courses.channels import reachable_channels
from courses.models import Appointment, ContactPoint, HealingWindow, Message, Recall
from courses.selectors.recalls.verdict import messages_with_context
from courses.timing import REMIND_DAYS_BEFORE
from courses.vocabulary import (
    AppointmentStatus,
    CourseStatus,
    MessageStatus,
    RecallKind,
    RecallReason,
    RequestStatus,
    WindowState,
)

HORIZON: Final = timedelta(days=REMIND_DAYS_BEFORE + 1)

# The same text as `appointment_occasion` makes.
OCCASION: Final = Concat(
    Value("appointment:"),
    Cast("pk", CharField()),
    Value(":"),
    Func(
        Func(Value("UTC"), F("starts_at"), function="timezone", output_field=DateTimeField()),
        Value('YYYYMMDD"T"HH24MISS"Z"'),
        function="to_char",
        output_field=CharField(),
    ),
)


def due_windows(*, now: datetime, limit: int) -> list[int]:
    """Open windows whose time has come, longest due first."""
    due = HealingWindow.objects.filter(state=WindowState.OPEN, closes_at__lte=now)
    return list(due.order_by("closes_at", "pk").values_list("pk", flat=True)[:limit])


def appointments_to_remind(*, now: datetime, limit: int) -> list[int]:
    """Booked appointments of the next days that no reminder speaks of at their present time."""
    told = Recall.objects.filter(kind=RecallKind.REMINDER, occasion=OuterRef("occasion"))
    booked = (
        Appointment.objects.filter(
            status=AppointmentStatus.BOOKED, starts_at__gt=now, starts_at__lt=now + HORIZON
        )
        .filter(course__status=CourseStatus.ACTIVE, course__patient__deceased=False)
        .annotate(occasion=OCCASION)
        .filter(~Exists(told))
    )
    return list(booked.order_by("starts_at", "pk").values_list("pk", flat=True)[:limit])


def recalls_to_resume(*, limit: int) -> list[int]:
    """Recalls that nobody could be reached for, whose patient can be reached by now."""
    point = ContactPoint.objects.filter(
        patient=OuterRef("course__patient"),
        consent_at__isnull=False,
        opted_out_at__isnull=True,
        channel__in=reachable_channels(),
    ).exclude(messages__recall=OuterRef("pk"))
    waiting = Recall.objects.filter(
        Exists(point),
        status=RequestStatus.ON_HOLD,
        status_reason__in=[RecallReason.NO_CONTACT_POINT, RecallReason.UNREACHABLE],
    )
    return list(waiting.order_by("due_at", "pk").values_list("pk", flat=True)[:limit])


def recalls_on_hold(*, after: int, limit: int) -> list[Recall]:
    """Recalls that wait for the front desk, with what `still_wanted` asks of, by key."""
    waiting = Recall.objects.filter(status=RequestStatus.ON_HOLD, pk__gt=after)
    return list(waiting.select_related("course__patient", "appointment").order_by("pk")[:limit])


def open_calls(*, limit: int) -> QuerySet[Message]:
    """Calls that wait for the front desk, with what the verdict asks of. One query."""
    waiting = messages_with_context().filter(status=MessageStatus.ON_HOLD)
    return waiting.order_by("due_at", "pk")[:limit]
