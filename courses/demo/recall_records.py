"""Rows of recalls and messages: what was told in a year, and what is to leave before your eyes."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from core.db import step
from courses.demo.history import Booking
from courses.demo.inserting import insert
from courses.demo.patients import Case
from courses.demo.scenario import Scenario
from courses.demo.stages import Stage
from courses.demo.window_records import Told
from courses.models import Appointment, ContactPoint, Message, Recall
from courses.selectors.recalls.readiness import appointment_occasion
from courses.services.recalls.planning import DAYS_BEFORE, WINDOW_CLOSED
from courses.timing import invitation_due, reminder_due
from courses.vocabulary import (
    AppointmentStatus,
    Channel,
    CourseStatus,
    MessageStatus,
    RecallKind,
    RecallReason,
    RequestStatus,
)

FIRST_LEAVES = timedelta(minutes=2)
LAST_LEAVES = timedelta(minutes=20)
CALLED_WITHIN = timedelta(days=40)
REMINDED = (AppointmentStatus.FULFILLED, AppointmentStatus.NOSHOW, AppointmentStatus.BOOKED)


@dataclass(frozen=True, slots=True)
class Watched:
    """Treatments (by identity) whose recall happens while somebody watches.

    The clock finds the windows `left_open` at its first look; the messages `leaving` are due one
    after the other over some minutes.
    """

    left_open: frozenset[int]
    leaving: Mapping[int, datetime]


def watched_in(scenario: Scenario, *, loaded_at: datetime) -> Watched:
    """Every other window that has just closed is left to the clock, the others to the messages."""
    treatments = [
        walk.done[-1]
        for walk in scenario.walks
        if walk.case.stage is Stage.CLOSING and walk.done and _just_closed(walk.closes_at, scenario)
    ]
    leaving = treatments[1::2]
    pause = (LAST_LEAVES - FIRST_LEAVES) / max(1, len(leaving) - 1)
    return Watched(
        left_open=frozenset(map(id, treatments[::2])),
        leaving={
            id(treatment): (loaded_at + FIRST_LEAVES + number * pause).replace(microsecond=0)
            for number, treatment in enumerate(leaving)
        },
    )


@step
def write_recalls(
    scenario: Scenario,
    *,
    appointments: Mapping[int, Appointment],
    windows: Sequence[Told],
    watched: Watched,
) -> None:
    """Invitations for closed windows and reminders of visits, with their messages."""
    planned = [
        *_invitations(scenario, windows=windows, watched=watched),
        *_reminders(scenario, appointments=appointments),
    ]
    planned.sort(key=lambda one: (one[0].due_at, one[0].occasion))
    insert(recall for recall, _ in planned)
    insert(message for _, message in planned if message is not None)


Planned = tuple[Recall, Message | None]


def _just_closed(closes_at: datetime | None, scenario: Scenario) -> bool:
    now = scenario.moment.now
    return closes_at is not None and now - timedelta(days=7) < closes_at <= now


def _invitations(
    scenario: Scenario, *, windows: Iterable[Told], watched: Watched
) -> Iterator[Planned]:
    last = {id(walk.done[-1]) for walk in scenario.walks if walk.done}
    booked = _booked_cases(scenario.bookings)
    for window in windows:
        if not window.closed or _ended_before(window):
            continue
        treatment = window.treatment
        case = treatment.case
        newest = id(treatment) in last
        waits = newest and id(case) not in booked and case.course.status == CourseStatus.ACTIVE
        # Many book the next visit when they leave: their window closes without an invitation.
        if not waits and case.chance.random() < 0.5:
            continue
        yield _invitation(
            window, waits=waits, leaves_at=watched.leaving.get(id(treatment)), scenario=scenario
        )


def _invitation(
    window: Told, *, waits: bool, leaves_at: datetime | None, scenario: Scenario
) -> Planned:
    treatment = window.treatment
    if window.row.earliest_on is None:
        raise ValueError("a closed window has a date; the database says so")
    now = scenario.moment.now
    recall = Recall(
        course=treatment.case.course,
        window=window.row,
        kind=RecallKind.INVITATION,
        step=WINDOW_CLOSED,
        occasion=f"window:{window.row.pk}:{window.row.number}",
        due_at=invitation_due(window.row.earliest_on, zone=treatment.site.zone),
    )
    point = _usable(treatment.case, at=recall.due_at)
    if point is None:
        reason = RecallReason.NO_CONTACT_POINT if waits else RecallReason.BOOKED
        return _stopped(
            recall, RequestStatus.ON_HOLD if waits else RequestStatus.REVOKED, reason
        ), None
    if leaves_at is not None or recall.due_at > now:
        return recall, _to_leave(recall, point, due_at=leaves_at or recall.due_at)
    if waits and point.channel == Channel.PHONE and recall.due_at > now - CALLED_WITHIN:
        return recall, _to_call(recall, point)
    return _told(recall, point)


def _reminders(scenario: Scenario, *, appointments: Mapping[int, Appointment]) -> Iterator[Planned]:
    for booking in scenario.bookings:
        if booking.status not in REMINDED:
            continue
        appointment = appointments[id(booking.visit)]
        starts_at, zone = appointment.starts_at, booking.visit.diary.site.zone
        due_at = reminder_due(starts_at, zone=zone, now=starts_at - timedelta(days=5))
        if due_at > scenario.moment.now:
            continue
        recall = Recall(
            course=booking.case.course,
            appointment=appointment,
            kind=RecallKind.REMINDER,
            step=DAYS_BEFORE,
            occasion=appointment_occasion(appointment),
            due_at=due_at,
        )
        point = _usable(booking.case, at=due_at)
        if point is not None:
            yield _told(recall, point)
        elif booking.status == AppointmentStatus.BOOKED:
            yield _stopped(recall, RequestStatus.ON_HOLD, RecallReason.NO_CONTACT_POINT), None


def _booked_cases(bookings: Iterable[Booking]) -> set[int]:
    return {id(one.case) for one in bookings if one.status == AppointmentStatus.BOOKED}


def _ended_before(window: Told) -> bool:
    """Whether the course was over, or never due again, when its window closed."""
    course = window.treatment.case.course
    ended_on, closed_on = course.ended_on, window.row.earliest_on
    return bool(ended_on and closed_on and ended_on <= closed_on)


def _usable(case: Case, *, at: datetime) -> ContactPoint | None:
    """The first contact point that could be used then."""
    return next(
        (
            point
            for point in case.contact_points
            if point.consent_at is not None
            and (point.opted_out_at is None or point.opted_out_at > at)
        ),
        None,
    )


def _told(recall: Recall, point: ContactPoint) -> Planned:
    recall.status = RequestStatus.COMPLETED
    return recall, Message(
        recall=recall,
        contact_point=point,
        channel=point.channel,
        status=MessageStatus.COMPLETED,
        due_at=recall.due_at,
        attempt=1,
        sent_at=recall.due_at + timedelta(seconds=4),
    )


def _to_leave(recall: Recall, point: ContactPoint, *, due_at: datetime) -> Message:
    return Message(
        recall=recall,
        contact_point=point,
        channel=point.channel,
        status=MessageStatus.PREPARATION,
        due_at=due_at,
    )


def _to_call(recall: Recall, point: ContactPoint) -> Message:
    return Message(
        recall=recall,
        contact_point=point,
        channel=point.channel,
        status=MessageStatus.ON_HOLD,
        status_reason=RecallReason.TO_CALL,
        due_at=recall.due_at,
    )


def _stopped(recall: Recall, status: RequestStatus, reason: RecallReason) -> Recall:
    recall.status, recall.status_reason = status, reason
    return recall
