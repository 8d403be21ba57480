"""Rows of recalls and messages: what was told in a year, and what is to leave before your eyes."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from clinics.hours import local_date
from core.db import step
from courses.demo.history import Booking
from courses.demo.inserting import insert
from courses.demo.organisation import Site
from courses.demo.patients import Case
from courses.demo.scenario import Scenario
from courses.demo.stages import Stage
from courses.demo.window_records import Told
from courses.models import Appointment, ContactPoint, Message, Recall, Session
from courses.selectors.recalls.closed_days import ClosedDaysOfClinics
from courses.timing import (
    CadenceStep,
    Place,
    open_days,
    out_of_closed,
    step_due,
    visit_occasion,
)
from courses.timing.cadence import DEFAULT, WINDOW_CLOSED
from courses.timing.words import ClosedDays, ConsentDecision, MessagePurpose
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
    sessions: Mapping[int, Session],
    windows: Sequence[Told],
    watched: Watched,
) -> None:
    """What was told by now, step by step, with the messages; what is to come the planner finds."""
    calendar = _Calendar(now=scenario.moment.now)
    planned = [
        *_invitations(scenario, calendar, windows=windows, watched=watched),
        *_reminders(scenario, calendar, appointments=appointments),
        *_check_ins(scenario, calendar, sessions=sessions),
    ]
    planned.sort(key=lambda one: (one[0].due_at, one[0].occasion, one[0].step))
    insert(recall for recall, _ in planned)
    insert(message for _, message in planned if message is not None)


Planned = tuple[Recall, Message | None]


class _Calendar:
    """When steps of the default cadence are due at the clinics of the demonstration."""

    def __init__(self, *, now: datetime) -> None:
        self.now = now
        self._closed = ClosedDaysOfClinics(now=now)

    def due_by_now(
        self, kind: RecallKind, day: date, site: Site
    ) -> list[tuple[CadenceStep, datetime]]:
        """The steps that were due by now, the newest last."""
        place = Place(site.clinic.pk, site.zone)
        days = open_days(place, cadence=DEFAULT, closed=self._closed)
        steps = []
        for one in DEFAULT.of(kind):
            due_at = step_due(day, days=one.days, zone=site.zone, hour=DEFAULT.civil_hour)
            if one.closed_days is ClosedDays.LATER:
                due_at = out_of_closed(due_at, days=days)
            if due_at <= self.now:
                steps.append((one, due_at))
        return steps


def _just_closed(closes_at: datetime | None, scenario: Scenario) -> bool:
    now = scenario.moment.now
    return closes_at is not None and now - timedelta(days=7) < closes_at <= now


def _invitations(
    scenario: Scenario, calendar: _Calendar, *, windows: Iterable[Told], watched: Watched
) -> Iterator[Planned]:
    last = {id(walk.done[-1]) for walk in scenario.walks if walk.done}
    booked = _booked_cases(scenario.bookings)
    for window in windows:
        if not window.closed or _ended_before(window) or window.row.earliest_on is None:
            continue
        treatment = window.treatment
        case = treatment.case
        newest = id(treatment) in last
        waits = newest and id(case) not in booked and case.course.status == CourseStatus.ACTIVE
        # Many book the next visit when they leave: their window closes without an invitation.
        if not waits and case.chance.random() < 0.5:
            continue
        steps = calendar.due_by_now(RecallKind.INVITATION, window.row.earliest_on, treatment.site)
        if not waits:
            steps = [one for one in steps if one[0].key == WINDOW_CLOSED]
        for place, (cadence_step, due_at) in enumerate(steps, 1):
            recall = _recall_of(window, cadence_step, due_at)
            if place < len(steps) or not waits:
                yield from _told_if_reached(recall, case, cadence_step)
            else:
                yield from _newest(
                    recall,
                    case,
                    cadence_step,
                    leaves_at=watched.leaving.get(id(treatment)),
                    now=scenario.moment.now,
                )


def _recall_of(window: Told, cadence_step: CadenceStep, due_at: datetime) -> Recall:
    return Recall(
        course=window.treatment.case.course,
        window=window.row,
        kind=RecallKind.INVITATION,
        step=cadence_step.key,
        template=cadence_step.template,
        occasion=f"window:{window.row.pk}:{window.row.earliest_on}",
        due_at=due_at,
    )


def _newest(
    recall: Recall,
    case: Case,
    cadence_step: CadenceStep,
    *,
    leaves_at: datetime | None,
    now: datetime,
) -> Iterator[Planned]:
    """The last step that was due: leaving before your eyes, a call to make, or told."""
    point = _usable(case, cadence_step, at=recall.due_at)
    if point is None:
        if cadence_step.desk:
            yield _stopped(recall, RequestStatus.ON_HOLD, RecallReason.NO_CONTACT_POINT), None
    elif leaves_at is not None:
        yield recall, _to_leave(recall, point, due_at=leaves_at)
    elif point.channel == Channel.PHONE and recall.due_at > now - CALLED_WITHIN:
        yield recall, _to_call(recall, point)
    else:
        yield _told(recall, point)


def _reminders(
    scenario: Scenario, calendar: _Calendar, *, appointments: Mapping[int, Appointment]
) -> Iterator[Planned]:
    for booking in scenario.bookings:
        if booking.status not in REMINDED:
            continue
        appointment = appointments[id(booking.visit)]
        site = booking.visit.diary.site
        day = local_date(appointment.starts_at, site.zone)
        for cadence_step, due_at in calendar.due_by_now(RecallKind.REMINDER, day, site):
            recall = Recall(
                course=booking.case.course,
                appointment=appointment,
                kind=RecallKind.REMINDER,
                step=cadence_step.key,
                template=cadence_step.template,
                occasion=visit_occasion(appointment.pk, appointment.starts_at),
                due_at=due_at,
            )
            yield from _told_if_reached(recall, booking.case, cadence_step)


def _check_ins(
    scenario: Scenario, calendar: _Calendar, *, sessions: Mapping[int, Session]
) -> Iterator[Planned]:
    for treatment in scenario.treatments():
        session = sessions[id(treatment)]
        if session.ended_at is None:
            continue
        day = local_date(session.ended_at, treatment.site.zone)
        for cadence_step, due_at in calendar.due_by_now(RecallKind.AFTERCARE, day, treatment.site):
            recall = Recall(
                course=treatment.case.course,
                session=session,
                kind=RecallKind.AFTERCARE,
                step=cadence_step.key,
                template=cadence_step.template,
                occasion=f"session:{session.pk}",
                due_at=due_at,
            )
            yield from _told_if_reached(recall, treatment.case, cadence_step)


def _told_if_reached(recall: Recall, case: Case, cadence_step: CadenceStep) -> Iterator[Planned]:
    point = _usable(case, cadence_step, at=recall.due_at)
    if point is not None:
        yield _told(recall, point)


def _booked_cases(bookings: Iterable[Booking]) -> set[int]:
    return {id(one.case) for one in bookings if one.status == AppointmentStatus.BOOKED}


def _ended_before(window: Told) -> bool:
    """Whether the course was over, or never due again, when its window closed."""
    course = window.treatment.case.course
    ended_on, closed_on = course.ended_on, window.row.earliest_on
    return bool(ended_on and closed_on and ended_on <= closed_on)


def _usable(case: Case, cadence_step: CadenceStep, *, at: datetime) -> ContactPoint | None:
    """The contact point that the step would have used then."""
    order = {channel: place for place, channel in enumerate(cadence_step.channels)}
    usable = [
        point
        for point in case.contact_points
        if (not order or point.channel in order)
        and _allowed(case, point, cadence_step.purpose, at=at)
    ]
    return min(usable, key=lambda one: (order.get(Channel(one.channel), 0), one.rank), default=None)


def _allowed(case: Case, point: ContactPoint, purpose: MessagePurpose, *, at: datetime) -> bool:
    decisions = [
        one.decision
        for one in case.consents
        if one.contact_point is point and one.purpose == purpose and one.decided_at <= at
    ]
    return bool(decisions) and decisions[-1] == ConsentDecision.GIVEN


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
        # Put off, so that the planner leaves it where it is.
        status_reason=RecallReason.QUIET_HOURS,
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
