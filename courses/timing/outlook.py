"""Which messages a course is to get, as things stand: one pure function of its records.

The same records and the same instant give the same steps, whatever happened on the way. What is
planned is therefore the difference between this and the rows that are there.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from clinics.hours.wall_time import local_date
from courses.timing.cadence import Cadence, CadenceStep
from courses.timing.due import step_due
from courses.timing.right_hour import OpenDays, out_of_closed
from courses.timing.words import ClosedDays
from courses.vocabulary import AppointmentStatus, RecallKind, RecallReason, WindowState

# Steps stand as rows so long before they are due.
AHEAD: Final = timedelta(days=14)
# A step that is overdue gives way to one that comes within a day: nobody hears twice in a day.
GAP: Final = timedelta(days=1)
# Older windows are a matter for people: an import of old records must not write to everybody.
LOOK_BACK: Final = timedelta(days=90)
# Asking how it goes is of no use much later.
ASKED_WITHIN: Final = timedelta(days=3)
LONGEST_CHECK_IN: Final = timedelta(days=60) + ASKED_WITHIN
# Nobody has said yet how yesterday's visit went: until then it counts as booked.
SETTLED_AFTER: Final = timedelta(days=1)

STANDING: Final = (
    AppointmentStatus.BOOKED,
    AppointmentStatus.ARRIVED,
    AppointmentStatus.CHECKED_IN,
)
FELL_THROUGH: Final = (AppointmentStatus.CANCELLED, AppointmentStatus.NOSHOW)


@dataclass(frozen=True, slots=True)
class Place:
    """A clinic, its clock and its closed days."""

    clinic_id: int
    zone: ZoneInfo


@dataclass(frozen=True, slots=True)
class WindowFacts:
    """A healing window that counts for the course, at the clinic of its session."""

    id: int
    state: WindowState
    earliest_on: date | None
    place: Place


@dataclass(frozen=True, slots=True)
class VisitFacts:
    """An appointment. `held_until` is set on holds, also on those that ran out unconfirmed."""

    id: int
    status: AppointmentStatus
    starts_at: datetime
    ends_at: datetime
    changed_at: datetime
    held_until: datetime | None
    place: Place


@dataclass(frozen=True, slots=True)
class SessionFacts:
    """A session that treated skin."""

    id: int
    ended_at: datetime
    place: Place


@dataclass(frozen=True, slots=True)
class PauseFacts:
    """Nobody is to invite before a day; from it on the invitations are counted."""

    id: int
    until: date


@dataclass(frozen=True, slots=True)
class CourseFacts:
    """What decides which messages a course is to get.

    `ended` says why nobody is to be told anything (course not active, patient died); None when
    the course is running. `treatable`: the skin may ever be treated again.
    """

    ended: RecallReason | None
    treatable: bool
    windows: tuple[WindowFacts, ...] = ()
    visits: tuple[VisitFacts, ...] = ()
    sessions: tuple[SessionFacts, ...] = ()
    pause: PauseFacts | None = None


@dataclass(frozen=True, slots=True)
class WantedStep:
    """A step that is to stand as a row. `about` is the window, visit or session it speaks of.

    A message that would leave at or after `before` is dropped.
    """

    step: CadenceStep
    occasion: str
    about: int
    due_at: datetime
    place: Place
    before: datetime | None = None

    @property
    def key(self) -> tuple[str, str, str]:
        """Occasion, kind and step: what is unique in the table."""
        return self.occasion, self.step.kind.value, self.step.key


@dataclass(frozen=True, slots=True)
class Outlook:
    """The steps that are to stand now, and when time alone next changes them (None: never)."""

    steps: tuple[WantedStep, ...]
    look_at: datetime | None


Closed = Callable[[int, date], bool]


def outlook(facts: CourseFacts, *, cadence: Cadence, closed: Closed, now: datetime) -> Outlook:
    """What the course is to get as of `now`; `closed` says of a clinic and a date that it is."""
    if facts.ended is not None:
        return Outlook((), None)
    steps: list[WantedStep] = []
    looks: list[datetime] = []
    for one in _all_series(facts, cadence=cadence, closed=closed, now=now):
        steps += one.standing(now)
        looks += one.changes()
    standing = standing_until(facts, now=now)
    later = [look for look in (*looks, *([standing] if standing else ())) if look > now]
    return Outlook(tuple(steps), min(later, default=None))


def to_come(
    facts: CourseFacts, *, cadence: Cadence, closed: Closed, now: datetime
) -> list[WantedStep]:
    """Every step that stands or that time alone will bring, however far ahead."""
    if facts.ended is not None:
        return []
    return [
        step
        for one in _all_series(facts, cadence=cadence, closed=closed, now=now)
        for step in one.to_come(now)
    ]


def invitation_occasion(facts: CourseFacts, *, now: datetime) -> str | None:
    """What an invitation speaks of now: the window that closes last, and what fell through since.

    None when nobody is to be invited.
    """
    base = _base(facts, now=now)
    return base.occasion if base else None


def visit_occasion(visit_id: int, starts_at: datetime) -> str:
    """The unique key of one time of an appointment: a move makes it another occasion."""
    return f"appointment:{visit_id}:{starts_at.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def standing_until(facts: CourseFacts, *, now: datetime) -> datetime | None:
    """Until when what is booked counts as booked; None when nothing is."""
    ends = [
        visit.ends_at + SETTLED_AFTER
        for visit in facts.visits
        if visit.status in STANDING and visit.ends_at + SETTLED_AFTER > now
    ]
    return max(ends, default=None)


def held_until(facts: CourseFacts, *, now: datetime) -> datetime | None:
    """Until when a slot is held for the patient, who is deciding; None when none is."""
    ends = [
        visit.held_until
        for visit in facts.visits
        if visit.status is AppointmentStatus.PROPOSED
        and visit.held_until is not None
        and visit.held_until > now
    ]
    return max(ends, default=None)


@dataclass(frozen=True, slots=True)
class _Base:
    """The day from which invitations are counted."""

    window: WindowFacts
    day: date
    occasion: str
    restarted: bool


@dataclass(frozen=True, slots=True)
class _Series:
    """Steps about one thing, earliest first, and until when any of them makes sense."""

    steps: tuple[WantedStep, ...]
    until: datetime

    def standing(self, now: datetime) -> Iterator[WantedStep]:
        """Of the overdue ones the newest, unless another is near; of the others the near ones."""
        if now >= self.until:
            return
        overdue = [one for one in self.steps if one.due_at <= now]
        coming = [one for one in self.steps if one.due_at > now]
        if overdue and not (coming and coming[0].due_at - now < GAP):
            yield overdue[-1]
        yield from (one for one in coming if one.due_at - AHEAD <= now)

    def to_come(self, now: datetime) -> Iterator[WantedStep]:
        """The overdue one that stands, and all that are due later."""
        if now < self.until:
            yield from (one for one in self.standing(now) if one.due_at <= now)
            yield from (one for one in self.steps if one.due_at > now)

    def changes(self) -> Iterator[datetime]:
        """Every instant at which `standing` may change."""
        yield self.until
        for one in self.steps:
            yield one.due_at - AHEAD
            yield one.due_at
            # The first instant that is less than a gap away, in the database's clock ticks.
            yield one.due_at - GAP + timedelta(microseconds=1)


def _all_series(
    facts: CourseFacts, *, cadence: Cadence, closed: Closed, now: datetime
) -> Iterator[_Series]:
    yield from _invitations(facts, cadence=cadence, closed=closed, now=now)
    yield from _reminders(facts, cadence=cadence, closed=closed, now=now)
    yield from _check_ins(facts, cadence=cadence, closed=closed, now=now)


def _invitations(
    facts: CourseFacts, *, cadence: Cadence, closed: Closed, now: datetime
) -> Iterator[_Series]:
    base = _base(facts, now=now)
    if base is None:
        return
    steps = [
        WantedStep(
            step=step,
            occasion=base.occasion,
            about=base.window.id,
            due_at=_due(step, base.day, base.window.place, cadence=cadence, closed=closed),
            place=base.window.place,
        )
        for step in cadence.of(RecallKind.INVITATION)
        if step.days >= 0 or not base.restarted
    ]
    until = step_due(base.day, days=0, zone=base.window.place.zone) + LOOK_BACK
    yield _Series(_in_order(steps), until)


def _reminders(
    facts: CourseFacts, *, cadence: Cadence, closed: Closed, now: datetime
) -> Iterator[_Series]:
    for visit in facts.visits:
        if visit.status is not AppointmentStatus.BOOKED or visit.starts_at <= now:
            continue
        day = local_date(visit.starts_at, visit.place.zone)
        steps = [
            WantedStep(
                step=step,
                occasion=visit_occasion(visit.id, visit.starts_at),
                about=visit.id,
                due_at=_due(step, day, visit.place, cadence=cadence, closed=closed),
                place=visit.place,
                before=visit.starts_at,
            )
            for step in cadence.of(RecallKind.REMINDER)
        ]
        yield _Series(_in_order(steps), visit.starts_at)


def _check_ins(
    facts: CourseFacts, *, cadence: Cadence, closed: Closed, now: datetime
) -> Iterator[_Series]:
    del now
    for session in facts.sessions:
        # Looked at as long as any cadence could ask, so that another one finds it.
        yield _Series((), session.ended_at + LONGEST_CHECK_IN)
        day = local_date(session.ended_at, session.place.zone)
        for step in cadence.of(RecallKind.AFTERCARE):
            wanted = WantedStep(
                step=step,
                occasion=f"session:{session.id}",
                about=session.id,
                due_at=_due(step, day, session.place, cadence=cadence, closed=closed),
                place=session.place,
            )
            yield _Series((wanted,), wanted.due_at + ASKED_WITHIN)


def _base(facts: CourseFacts, *, now: datetime) -> _Base | None:
    if facts.ended or not facts.treatable or standing_until(facts, now=now) is not None:
        return None
    dated = [
        (one.earliest_on, one.id, one)
        for one in facts.windows
        if one.earliest_on is not None and one.state in {WindowState.OPEN, WindowState.CLOSED}
    ]
    if not dated or len(dated) < len(facts.windows):
        return None
    closes_on, _, window = max(dated, key=lambda one: one[:2])
    occasion = f"window:{window.id}:{closes_on.isoformat()}"
    pause = facts.pause
    if pause is not None and pause.until > max(closes_on, *_fell_on(facts, window)):
        return _Base(window, pause.until, f"{occasion}:later:{pause.id}", restarted=True)
    fallen = max(
        (one for one in facts.visits if one.status in FELL_THROUGH and one.held_until is None),
        key=lambda one: (one.changed_at, one.id),
        default=None,
    )
    if fallen is not None:
        restart = local_date(fallen.changed_at, window.place.zone) + timedelta(days=1)
        if restart > closes_on:
            return _Base(window, restart, f"{occasion}:after:{fallen.id}", restarted=True)
    return _Base(window, closes_on, occasion, restarted=False)


def _fell_on(facts: CourseFacts, window: WindowFacts) -> list[date]:
    return [
        local_date(one.changed_at, window.place.zone)
        for one in facts.visits
        if one.status in FELL_THROUGH and one.held_until is None
    ] or [date.min]


def _due(
    step: CadenceStep, day: date, place: Place, *, cadence: Cadence, closed: Closed
) -> datetime:
    due_at = step_due(day, days=step.days, zone=place.zone, hour=cadence.civil_hour)
    if step.closed_days is ClosedDays.SEND:
        return due_at
    return out_of_closed(due_at, days=open_days(place, cadence=cadence, closed=closed))


def open_days(place: Place, *, cadence: Cadence, closed: Closed) -> OpenDays:
    """The open days of a place, as the right hour asks for them."""
    return OpenDays(
        zone=place.zone,
        hour=cadence.civil_hour,
        closed=lambda day: closed(place.clinic_id, day),
    )


def _in_order(steps: Iterable[WantedStep]) -> tuple[WantedStep, ...]:
    return tuple(sorted(steps, key=lambda one: (one.due_at, one.step.days, one.step.key)))
