"""Whether a claimed message should go out still, and what it says. Read anew each time."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import QuerySet

from clinics.hours import zone_named
from courses.channels import (
    Outgoing,
    Text,
    TextFacts,
    languages_for,
    reachable_channels,
    reply_link,
    text_for,
    unsubscribe_link,
)
from courses.models import ContactPoint, Message, Recall
from courses.selectors.recalls.closed_days import ClosedDaysOfClinics
from courses.selectors.recalls.facts import course_facts
from courses.selectors.recalls.steps import cadence_of_recall, clinic_of, point_of, step_of
from courses.selectors.recalls.templates import own_wordings
from courses.timing import PURPOSE, OpenDays, quiet_until, right_hour, visit_occasion
from courses.timing.outlook import ASKED_WITHIN, held_until, invitation_occasion
from courses.timing.points import why_refused
from courses.timing.withdrawn import why_unwanted
from courses.timing.words import ClosedDays
from courses.vocabulary import (
    AppointmentStatus,
    Channel,
    CourseStatus,
    RecallKind,
    RecallReason,
    RequestStatus,
    SessionStatus,
    WindowState,
)

LIVE = (RequestStatus.ACTIVE, RequestStatus.ON_HOLD)


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
    """The contact point may not be used (any more), or not in time; another one might."""

    reason: RecallReason


Verdict = Send | Call | Later | Unwanted | Closed


def messages_with_context() -> QuerySet[Message]:
    """Messages with all that the verdict asks of. One query."""
    found: QuerySet[Message] = Message.objects.select_related(
        "contact_point__patient__home_clinic",
        "recall__course__patient",
        "recall__course__clinic",
        "recall__appointment__clinic",
        "recall__window__session__clinic",
        "recall__session__clinic",
    )
    return found


def verdict(
    message: Message, *, now: datetime, closed: ClosedDaysOfClinics | None = None
) -> Verdict:
    """What to do at `now` with one of `messages_with_context`. At most three queries.

    And four for a clinic whose closed days nobody has asked for yet.
    """
    recall, point = message.recall, message.contact_point
    wanted = still_wanted(recall, now=now)
    if isinstance(wanted, Unwanted):
        return wanted
    refused = why_refused(
        point_of(point), purpose=PURPOSE[RecallKind(recall.kind)], reachable=reachable_channels()
    )
    if refused is not None:
        return Closed(refused)
    wait = wanted or _wrong_hour(recall, point, now=now, closed=closed)
    if wait is not None:
        late = recall.appointment is not None and wait.until >= recall.appointment.starts_at
        # By another way it may still come in time.
        return Closed(RecallReason.TOO_LATE) if late else wait
    if recall.due_at > now:
        # Moved since the message was claimed.
        return Later(recall.due_at, RecallReason.NOT_DUE)
    if point.channel == Channel.PHONE:
        return Call()
    return Send(outgoing=outgoing_of(message), text=text_of(message))


def still_wanted(recall: Recall, *, now: datetime) -> Unwanted | Later | None:
    """Whether nobody should be told any more, or not yet; None when they should now.

    At most three queries. Which step about the same thing comes when the planner has decided: see
    that the course's plan is not due before asking.
    """
    if recall.status not in LIVE:
        own = recall.withdrawn_by_id is None and recall.status_reason in set(RecallReason)
        return Unwanted(RecallReason(recall.status_reason) if own else RecallReason.WITHDRAWN)
    if recall.course.patient.deceased:
        return Unwanted(RecallReason.DECEASED)
    if recall.course.status != CourseStatus.ACTIVE:
        return Unwanted(RecallReason.COURSE_NOT_RUNNING)
    if recall.kind == RecallKind.AFTERCARE:
        return _check_in_wanted(recall, now=now)
    if recall.kind == RecallKind.INVITATION:
        return _invitation_wanted(recall, now=now)
    return _about_visit_wanted(recall, now=now)


def text_of(message: Message) -> Text:
    """What the message says, in the patient's language and the chain's words. One query.

    Raises FactMissing where the words speak of what this recall has not.
    """
    recall, patient = message.recall, message.contact_point.patient
    clinic = clinic_of(recall)
    visit, window = recall.appointment, recall.window
    fallback = cadence_of_recall(recall).language
    languages = languages_for(patient.language, fallback=fallback)
    name = recall.template
    own = own_wordings(recall.course.chain_id, [name], languages=languages)
    return text_for(
        name,
        TextFacts(
            given_name=patient.given_name,
            clinic=clinic.name,
            zone=zone_named(clinic.time_zone),
            starts_at=visit.starts_at if visit else None,
            ready_on=window.earliest_on if window else None,
            link=reply_link(message.pk),
            language=patient.language,
            fallback=fallback,
        ),
        channel=Channel(message.channel),
        own=own[name],
    )


def _invitation_wanted(recall: Recall, *, now: datetime) -> Unwanted | Later | None:
    facts = course_facts(recall.course, now=now)
    if invitation_occasion(facts, now=now) != recall.occasion:
        key = (recall.occasion, recall.kind, recall.step)
        row = _Key(key=key, appointment_id=None, due_at=recall.due_at)
        why = why_unwanted(row, facts=facts, stopped=(), now=now)
        return Unwanted(why or RecallReason.SUPERSEDED)
    ready = all(window.state is WindowState.CLOSED for window in facts.windows)
    if step_of(recall).days >= 0 and not ready:
        return Unwanted(RecallReason.SKIN_NOT_READY)
    until = held_until(facts, now=now)
    # The patient is deciding about a slot right now.
    return Later(until=until, reason=RecallReason.SLOT_HELD) if until else None


@dataclass(frozen=True, slots=True)
class _Key:
    key: tuple[str, str, str]
    appointment_id: int | None
    due_at: datetime


def _about_visit_wanted(recall: Recall, *, now: datetime) -> Unwanted | None:
    visit = recall.appointment
    if visit is None or visit.status != AppointmentStatus.BOOKED:
        return Unwanted(RecallReason.APPOINTMENT_ENDED)
    if not recall.occasion.startswith(visit_occasion(visit.pk, visit.starts_at)):
        return Unwanted(RecallReason.APPOINTMENT_MOVED)
    return Unwanted(RecallReason.TOO_LATE) if visit.starts_at <= now else None


def _check_in_wanted(recall: Recall, *, now: datetime) -> Unwanted | None:
    treated = (SessionStatus.COMPLETED, SessionStatus.STOPPED)
    if recall.session is None or recall.session.status not in treated:
        return Unwanted(RecallReason.SUPERSEDED)
    return Unwanted(RecallReason.TOO_LATE) if recall.due_at + ASKED_WITHIN <= now else None


def _wrong_hour(
    recall: Recall, point: ContactPoint, *, now: datetime, closed: ClosedDaysOfClinics | None
) -> Later | None:
    cadence, step, clinic = cadence_of_recall(recall), step_of(recall), clinic_of(recall)
    quiet = point_of(point).quiet_in(cadence)
    days = None
    if step.closed_days is ClosedDays.LATER:
        asked = closed or ClosedDaysOfClinics(now=now)
        days = OpenDays(
            zone=zone_named(clinic.time_zone),
            hour=cadence.civil_hour,
            closed=lambda day: asked(clinic.pk, day),
        )
    until = right_hour(now, quiet=quiet, days=days)
    if until == now:
        return None
    sleeps = quiet_until(now, quiet=quiet) is not None
    return Later(until, RecallReason.QUIET_HOURS if sleeps else RecallReason.CLOSED_DAY)


def outgoing_of(message: Message) -> Outgoing:
    """To whom a message goes, and in whose name. No query."""
    point = message.contact_point
    return Outgoing(
        channel=Channel(point.channel),
        address=point.address,
        sender_name=clinic_of(message.recall).name,
        unsubscribe=unsubscribe_link(message.pk),
    )
