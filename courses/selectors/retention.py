"""When a patient was last in contact, and whose time is over by a chain's policy."""

from datetime import UTC, date, datetime, time
from typing import Any

from django.db.models import Exists, Max, OuterRef, QuerySet

from clinics.models import Change, RecordRead
from courses.models import Appointment, CalendarFeed, Message, Patient, Session
from courses.retention import RetentionPolicy
from courses.vocabulary import MessageStatus


def last_contact_of(patient: Patient) -> date:
    """The day (UTC) of the last session or visit; of a patient who had none, of the first entry."""
    sessions = Session.objects.filter(course__patient=patient)
    visits = Appointment.objects.filter(course__patient=patient)
    treated_on: date | None = sessions.aggregate(last=Max("treated_on"))["last"]
    visited_at: datetime | None = visits.aggregate(last=Max("starts_at"))["last"]
    known = [patient.created_at.date(), treated_on, visited_at and visited_at.date()]
    return max(day for day in known if day)


def erasure_proposals(patients: QuerySet[Patient], *, before: date) -> "QuerySet[Patient]":
    """Of these patients those without any contact since a day, who are not erased.

    Whoever still has a course that has not ended is among them: it is for a person to look.
    """
    start = datetime.combine(before, time(), tzinfo=UTC)
    sessions = Session.objects.filter(course__patient=OuterRef("pk"), treated_on__gte=before)
    visits = Appointment.objects.filter(course__patient=OuterRef("pk"), starts_at__gte=start)
    return patients.filter(
        ~Exists(sessions), ~Exists(visits), erased_at__isnull=True, created_at__lt=start
    )


def messages_to_unname(*, chain_id: int, policy: RetentionPolicy, now: datetime) -> QuerySet[Any]:
    """Messages that left long ago and still carry the provider's name of them."""
    return Message.objects.filter(
        recall__course__chain_id=chain_id,
        status=MessageStatus.COMPLETED,
        sent_at__lt=policy.references_before(now),
    ).exclude(provider_reference__in=["", "erased"])


def feeds_to_forget(*, chain_id: int, policy: RetentionPolicy, now: datetime) -> QuerySet[Any]:
    """Calendar addresses that were closed long ago."""
    return CalendarFeed.objects.filter(
        resource__chain_id=chain_id, revoked_at__lt=policy.feeds_before(now)
    )


def reads_to_forget(*, chain_id: int, policy: RetentionPolicy, now: datetime) -> QuerySet[Any]:
    """Notes of reads of long ago."""
    return RecordRead.objects.filter(chain_id=chain_id, at__lt=policy.reads_before(now))


def changes_to_forget(*, chain_id: int, policy: RetentionPolicy, now: datetime) -> QuerySet[Any]:
    """Changes of long ago."""
    return Change.objects.filter(chain_id=chain_id, at__lt=policy.changes_before(now))
