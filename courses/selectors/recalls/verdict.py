"""Whether a claimed message should go out still, and what it says. Read anew each time."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import QuerySet

from clinics.hours.wall_time import zone_named
from courses.channels import (
    Outgoing,
    Text,
    change_text,
    invitation_text,
    reachable_channels,
    reminder_text,
)
from courses.models import ContactPoint, Message, Recall
from courses.selectors.recalls.readiness import (
    appointment_occasion,
    quiet_hours_of,
    ready_windows,
    standing_appointment,
)
from courses.timing import quiet_until
from courses.vocabulary import (
    AppointmentStatus,
    Channel,
    CourseStatus,
    RecallKind,
    RecallReason,
    RequestStatus,
)


@dataclass(frozen=True, slots=True)
class Send:
    """Say this to them."""

    outgoing: Outgoing
    text: Text


@dataclass(frozen=True, slots=True)
class Call:
    """Somebody at the front desk has to call."""


@dataclass(frozen=True, slots=True)
class Later:
    """Not now."""

    until: datetime
    reason: RecallReason


@dataclass(frozen=True, slots=True)
class Unwanted:
    """The recall has lost its reason."""

    reason: RecallReason


@dataclass(frozen=True, slots=True)
class Closed:
    """The contact point may not be used (any more); another one might."""

    reason: RecallReason


Verdict = Send | Call | Later | Unwanted | Closed
# What ends a message, also one that waits for a person.
STALE = (Unwanted, Closed)


def messages_with_context() -> QuerySet[Message]:
    """Messages with all that the verdict asks of. One query."""
    found: QuerySet[Message] = Message.objects.select_related(
        "contact_point__patient__home_clinic",
        "recall__course__patient",
        "recall__course__clinic",
        "recall__appointment__clinic",
    )
    return found


def verdict(message: Message, *, now: datetime) -> Verdict:
    """What to do at `now` with one of `messages_with_context`. At most three queries."""
    recall, point = message.recall, message.contact_point
    wanted = still_wanted(recall, now=now)
    if isinstance(wanted, Unwanted):
        return wanted
    closed = _why_closed(point)
    if closed is not None:
        return Closed(closed)
    wait = wanted or _quiet_hours(point, now=now)
    if wait is not None:
        late = recall.appointment is not None and wait.until >= recall.appointment.starts_at
        return Unwanted(RecallReason.TOO_LATE) if late else wait
    if point.channel == Channel.PHONE:
        return Call()
    return Send(outgoing=_outgoing(recall, point), text=text_of(recall))


def still_wanted(recall: Recall, *, now: datetime) -> Unwanted | Later | None:
    """Whether nobody should be told any more, or not yet; None when they should now.

    At most three queries.
    """
    if recall.status not in {RequestStatus.ACTIVE, RequestStatus.ON_HOLD}:
        return Unwanted(RecallReason.WITHDRAWN)
    if recall.course.patient.deceased:
        return Unwanted(RecallReason.DECEASED)
    if recall.course.status != CourseStatus.ACTIVE:
        return Unwanted(RecallReason.COURSE_NOT_RUNNING)
    if recall.kind == RecallKind.INVITATION:
        return _invitation_wanted(recall, now=now)
    return _reminder_wanted(recall, now=now)


def text_of(recall: Recall) -> Text:
    """What the recall says."""
    given_name = recall.course.patient.given_name
    if recall.kind != RecallKind.INVITATION and recall.appointment is not None:
        clinic = recall.appointment.clinic
        told = change_text if recall.kind == RecallKind.CHANGE else reminder_text
        return told(
            given_name=given_name,
            clinic=clinic.name,
            starts_at=recall.appointment.starts_at,
            zone=zone_named(clinic.time_zone),
        )
    return invitation_text(given_name=given_name, clinic=recall.course.clinic.name)


def _invitation_wanted(recall: Recall, *, now: datetime) -> Unwanted | Later | None:
    if recall.window_id not in ready_windows(recall.course):
        return Unwanted(RecallReason.SKIN_NOT_READY)
    newer = Recall.objects.filter(
        course=recall.course_id, kind=RecallKind.INVITATION, pk__gt=recall.pk
    )
    if newer.exists():
        return Unwanted(RecallReason.SUPERSEDED)
    standing = standing_appointment(recall.course, now=now)
    if standing is None:
        return None
    if standing.status == AppointmentStatus.PROPOSED and standing.hold_expires_at is not None:
        # The patient is deciding about a slot right now.
        return Later(until=standing.hold_expires_at, reason=RecallReason.SLOT_HELD)
    return Unwanted(RecallReason.BOOKED)


def _reminder_wanted(recall: Recall, *, now: datetime) -> Unwanted | None:
    appointment = recall.appointment
    if appointment is None or appointment.status != AppointmentStatus.BOOKED:
        return Unwanted(RecallReason.APPOINTMENT_ENDED)
    if appointment_occasion(appointment) != recall.occasion:
        return Unwanted(RecallReason.APPOINTMENT_MOVED)
    return Unwanted(RecallReason.TOO_LATE) if appointment.starts_at <= now else None


def _why_closed(point: ContactPoint) -> RecallReason | None:
    if point.opted_out_at is not None:
        return RecallReason.OPTED_OUT
    if point.consent_at is None:
        return RecallReason.NO_CONSENT
    if Channel(point.channel) not in reachable_channels():
        return RecallReason.CHANNEL_CLOSED
    return None


def _quiet_hours(point: ContactPoint, *, now: datetime) -> Later | None:
    ends = quiet_until(now, quiet=quiet_hours_of(point))
    return None if ends is None else Later(until=ends, reason=RecallReason.QUIET_HOURS)


def _outgoing(recall: Recall, point: ContactPoint) -> Outgoing:
    at = recall.appointment.clinic if recall.appointment else recall.course.clinic
    return Outgoing(channel=Channel(point.channel), address=point.address, sender_name=at.name)
