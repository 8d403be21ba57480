"""A resource's diary as events of a calendar, without a word about any person."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from hashlib import sha256
from typing import Any, Final
from uuid import UUID, uuid5

from django.db.models import Q, QuerySet

from clinics.models import Reservation, Resource
from clinics.vocabulary import ReservationReason, ResourceKind
from core.db import from_range
from core.prepared import Prepared
from core.spans import Span
from courses.models import Appointment, CalendarFeed
from courses.selectors.appointments import OPEN, held_at
from courses.selectors.visits import timeline_from_json
from courses.slots import role_spans
from courses.vocabulary import AppointmentStatus, TreatmentRole
from devices.models import LockOut

FEED_CHAIN: Final = Prepared("SELECT courses_feed_chain(%(digest)s::text)")
BACK: Final = timedelta(days=14)
AHEAD: Final = timedelta(days=180)
NAMESPACE: Final = UUID("6f1d7c1e-4b0c-5a52-9d3e-3a7a1c0f5b21")
OVER: Final = (
    AppointmentStatus.CANCELLED,
    AppointmentStatus.NOSHOW,
    AppointmentStatus.ENTERED_IN_ERROR,
)
ABSENT: Final = {
    ReservationReason.CLOSURE: "Closed",
    ReservationReason.SERVICE: "Service",
    ReservationReason.LEAVE: "Away",
}
ROLE: Final = {
    ResourceKind.ROOM: TreatmentRole.ROOM,
    ResourceKind.STAFF: TreatmentRole.OPERATOR,
    ResourceKind.LASER: TreatmentRole.LASER,
}


class EventStatus(StrEnum):
    """RFC 5545, 3.8.1.11: STATUS of an event."""

    TENTATIVE = "TENTATIVE"
    CONFIRMED = "CONFIRMED"
    CANCELLED = "CANCELLED"


@dataclass(frozen=True, slots=True)
class DiaryEvent:
    """One busy time. `uid` stays the same when it moves; `sequence` grows with each change."""

    uid: UUID
    span: Span
    summary: str
    location: str
    status: EventStatus
    sequence: int
    created_at: datetime
    changed_at: datetime


def digest_of(token: str) -> str:
    """What is stored of a token: it has 256 random bits, so that no salt is needed."""
    return sha256(token.encode()).hexdigest()


def feed_chain(token: str) -> int | None:
    """The chain of the feed whose address has the token, asked before any chain is known."""
    rows = FEED_CHAIN.rows(digest=digest_of(token))
    return int(rows[0][0]) if rows[0][0] is not None else None


def feed_at(token: str) -> CalendarFeed | None:
    """The feed whose address has the token, while it counts. One query.

    It counts until it is revoked, and while whoever made it belongs to the staff.
    """
    return (
        CalendarFeed.objects.filter(
            token_digest=digest_of(token), revoked_at__isnull=True, made_by__active=True
        )
        .select_related("resource__room", "resource__laser", "made_by")
        .first()
    )


def feed_name(feed: CalendarFeed) -> str:
    """What to call the calendar: the room or the laser; of a person no name."""
    resource = feed.resource
    if resource.kind == ResourceKind.ROOM:
        return str(resource.room)
    if resource.kind == ResourceKind.LASER:
        return str(resource.laser)
    return "Sessions of an operator"


def diary_events(resource: Resource, *, now: datetime) -> list[DiaryEvent]:
    """What keeps a room, a laser or a member of staff busy, two weeks back and half a year on.

    Cancelled visits stay as cancelled events, so that a calendar that shows them takes them out.
    The same within one UTC day unless the diary changes. Three queries.
    """
    day = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    span = Span(day - BACK, day + AHEAD)
    events = [
        *_visits(resource, span=span, now=now),
        *_absences(resource, span=span),
        *_lock_outs(resource, span=span),
    ]
    return sorted(events, key=lambda event: (event.span, event.uid))


def _visits(resource: Resource, *, span: Span, now: datetime) -> Iterator[DiaryEvent]:
    kind = ResourceKind(resource.kind)
    for appointment in _appointments(resource, span=span, now=now):
        for number, part in enumerate(_parts(appointment, ROLE[kind])):
            yield DiaryEvent(
                uid=uuid5(NAMESPACE, f"appointment:{appointment.pk}:{kind}:{number}"),
                span=part,
                summary=_summary(appointment),
                location=f"{appointment.room.name}, {appointment.clinic.name}",
                status=_status(appointment),
                sequence=appointment.version - 1,
                created_at=appointment.created_at,
                changed_at=appointment.updated_at,
            )


def _appointments(resource: Resource, *, span: Span, now: datetime) -> QuerySet[Appointment]:
    mine = {
        ResourceKind.ROOM: Q(room__resource=resource),
        ResourceKind.STAFF: Q(operator__resource=resource),
        ResourceKind.LASER: Q(laser__resource=resource),
    }[ResourceKind(resource.kind)]
    shown = Q(status__in=[*OPEN, AppointmentStatus.FULFILLED, *OVER]) | held_at(now)
    return (
        Appointment.objects.filter(mine, shown, starts_at__gte=span.start, starts_at__lt=span.end)
        .select_related("room", "clinic")
        .order_by("starts_at", "pk")
    )


def _parts(appointment: Appointment, role: TreatmentRole) -> Iterable[Span]:
    if not appointment.timeline:
        return [Span(appointment.starts_at, appointment.ends_at)]
    timeline = timeline_from_json(appointment.timeline)
    return role_spans(timeline, start=appointment.starts_at)[role]


def _summary(appointment: Appointment) -> str:
    lines = " and ".join(str(nm) for nm in appointment.wavelengths_nm)
    return f"Session, {lines} nm" if lines else "Session"


def _status(appointment: Appointment) -> EventStatus:
    if appointment.status in OVER:
        return EventStatus.CANCELLED
    if appointment.status == AppointmentStatus.PROPOSED:
        return EventStatus.TENTATIVE
    return EventStatus.CONFIRMED


def _absences(resource: Resource, *, span: Span) -> Iterator[DiaryEvent]:
    rows = Reservation.objects.filter(resource=resource, reason__in=list(ABSENT))
    for row in rows.overlapping(span).order_by("period", "pk"):
        yield DiaryEvent(
            uid=uuid5(NAMESPACE, f"{row.source}:{resource.pk}"),
            span=from_range(row.period),
            summary=ABSENT[ReservationReason(row.reason)],
            location="",
            status=EventStatus.CONFIRMED,
            sequence=0,
            created_at=row.created_at,
            changed_at=row.created_at,
        )


def _lock_outs(resource: Resource, *, span: Span) -> Iterator[DiaryEvent]:
    if resource.kind != ResourceKind.LASER:
        return
    rows: Any = LockOut.objects.of_whole_lasers().filter(
        laser__resource=resource, period__overlap=(span.start, span.end)
    )
    for row in rows.order_by("period", "pk"):
        yield DiaryEvent(
            uid=uuid5(NAMESPACE, f"lock-out:{row.pk}"),
            span=from_range(row.period, open_until=span.end),
            summary="Locked out",
            location="",
            status=EventStatus.CONFIRMED,
            sequence=row.version - 1,
            created_at=row.created_at,
            changed_at=row.updated_at,
        )
