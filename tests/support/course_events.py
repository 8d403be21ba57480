"""Whatever may happen to one course, in any order, as moves of a hypothesis strategy."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import count
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from courses.timing import CourseFacts, Place, SessionFacts, VisitFacts, WindowFacts, outlook
from courses.timing.cadence import DEFAULT, Cadence, CadenceStep
from courses.timing.differences import (
    Differences,
    MessageRow,
    RecallRow,
    Ways,
    differences,
)
from courses.timing.points import Point
from courses.timing.words import MessagePurpose
from courses.vocabulary import (
    AppointmentStatus,
    Channel,
    MessageStatus,
    RecallKind,
    RecallReason,
    WindowState,
)

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
PLACES = (Place(1, ZoneInfo("Europe/Berlin")), Place(2, ZoneInfo("America/Toronto")))
EVERYTHING = frozenset(MessagePurpose)
OTHER = Cadence(
    number=1,
    steps=(
        CadenceStep(RecallKind.INVITATION, "window-closed", 0, "invitation", desk=True),
        CadenceStep(RecallKind.INVITATION, "a-week-after", 7, "invitation-again"),
        CadenceStep(RecallKind.REMINDER, "two-days-before", -2, "reminder", (Channel.SMS,)),
    ),
    civil_hour=time(17, 30),
    quiet={Channel.EMAIL: (time(17), time(9)), Channel.SMS: (time(20), time(8))},
)


@dataclass(frozen=True, slots=True)
class State:
    """Everything that a plan depends on."""

    facts: CourseFacts = field(default_factory=lambda: CourseFacts(ended=None, treatable=True))
    points: tuple[Point, ...] = ()
    cadence: Cadence = DEFAULT


Event = Callable[[State], State]


def started() -> State:
    """Somebody treated two days ago, whose window closes in ten days, reached in two ways."""
    return State(
        facts=CourseFacts(
            ended=None,
            treatable=True,
            windows=(
                WindowFacts(1, WindowState.OPEN, (START + timedelta(days=10)).date(), PLACES[0]),
            ),
            sessions=(SessionFacts(1, START - timedelta(days=2), PLACES[0]),),
        ),
        points=(point(1, Channel.EMAIL), point(2, Channel.SMS)),
    )


def closed(clinic_id: int, day: date) -> bool:
    """Both clinics keep Sundays, the second also Wednesdays."""
    return day.isoweekday() == 7 or (clinic_id == 2 and day.isoweekday() == 3)


def point(number: int, channel: Channel, *, allowed: frozenset[str] = EVERYTHING) -> Point:
    """A contact point in Toronto."""
    return Point(
        id=number,
        channel=channel,
        rank=number,
        allowed=allowed,
        opted_out=EVERYTHING - allowed,
        zone=ZoneInfo("America/Toronto"),
    )


def visit(number: int, day: int, status: AppointmentStatus) -> VisitFacts:
    """A visit so many days from the start."""
    starts_at = START + timedelta(days=day, hours=number)
    return VisitFacts(
        id=number,
        status=status,
        starts_at=starts_at,
        ends_at=starts_at + timedelta(hours=1),
        changed_at=START,
        held_until=None,
        place=PLACES[number % 2],
    )


def _with_facts(**changes) -> Event:
    return lambda state: replace(state, facts=replace(state.facts, **changes))


def _set_visit(row: VisitFacts) -> Event:
    def happen(state: State) -> State:
        others = [one for one in state.facts.visits if one.id != row.id]
        return replace(state, facts=replace(state.facts, visits=(*others, row)))

    return happen


def _set_point(row: Point) -> Event:
    def happen(state: State) -> State:
        others = [one for one in state.points if one.id != row.id]
        return replace(state, points=(*others, row))

    return happen


def events() -> st.SearchStrategy[Event]:
    """One thing that happens."""
    days = st.integers(-40, 40)
    windows = st.builds(
        lambda day, state, place: _with_facts(
            windows=(WindowFacts(1, state, (START + timedelta(days=day)).date(), PLACES[place]),)
        ),
        days,
        st.sampled_from([WindowState.OPEN, WindowState.CLOSED, WindowState.HELD]),
        st.integers(0, 1),
    )
    visits = st.builds(
        lambda number, day, status: _set_visit(visit(number, day, status)),
        st.integers(1, 2),
        days,
        st.sampled_from(
            [
                AppointmentStatus.BOOKED,
                AppointmentStatus.CANCELLED,
                AppointmentStatus.NOSHOW,
                AppointmentStatus.ARRIVED,
            ]
        ),
    )
    sessions = st.builds(
        lambda day: _with_facts(
            sessions=(SessionFacts(1, START + timedelta(days=day), PLACES[0]),)
        ),
        days,
    )
    reached = st.builds(
        lambda number, channel, allowed: _set_point(point(number, channel, allowed=allowed)),
        st.integers(1, 3),
        st.sampled_from(list(Channel)),
        st.just(EVERYTHING) | st.frozensets(st.sampled_from(list(MessagePurpose))),
    )
    courses = st.sampled_from(
        [
            _with_facts(ended=None, treatable=True),
            _with_facts(ended=None, treatable=True),
            _with_facts(ended=None, treatable=True),
            _with_facts(ended=RecallReason.COURSE_NOT_RUNNING),
            _with_facts(ended=RecallReason.DECEASED),
            _with_facts(treatable=False),
        ]
    )
    policies = st.sampled_from([DEFAULT, OTHER]).map(
        lambda cadence: lambda state: replace(state, cadence=cadence)
    )
    # Most of what ends a course is taken back, so that something is left to be planned.
    return st.one_of(windows, visits, visits, sessions, reached, courses, policies)


class Table:
    """The rows of one course, as the database would keep them."""

    def __init__(self) -> None:
        self.rows: dict[int, RecallRow] = {}
        self._keys = count(1)

    def plan(self, state: State, *, now: datetime) -> Differences:
        """Look at the course and write what differs; what was written."""
        look = outlook(state.facts, cadence=state.cadence, closed=closed, now=now)
        found = differences(
            look.steps,
            rows=self.rows.values(),
            facts=state.facts,
            ways=Ways(state.points, frozenset(Channel), state.cadence, closed),
            now=now,
        )
        self._write(found)
        return found

    def live(self) -> set[tuple]:
        """What stands: key, status, due time, and through what it leaves when."""
        return {
            (
                *row.key,
                row.status,
                row.reason,
                row.due_at,
                *(
                    (one.point_id, one.due_at)
                    for one in row.messages
                    if one.status is MessageStatus.PREPARATION
                ),
            )
            for row in self.rows.values()
            if row.live
        }

    def _write(self, found: Differences) -> None:
        for change in found.recalls:
            row = self.rows[change.id]
            assert row.version == change.version
            self.rows[change.id] = replace(
                row,
                status=change.status,
                reason=str(change.reason),
                due_at=change.due_at,
                version=row.version + 1,
            )
        for change in (*found.ended, *found.messages):
            self._change_message(change)
        for new in found.new:
            key = next(self._keys)
            assert new.step.key not in {row.key for row in self.rows.values()}
            self.rows[key] = RecallRow(
                id=key,
                key=new.step.key,
                status=new.aim.status,
                reason=str(new.aim.reason),
                due_at=new.step.due_at,
                version=1,
                appointment_id=new.step.about if new.step.before else None,
            )
            if new.aim.point is not None:
                self._add_message(key, new.aim.point, new.aim.leaves_at)
        for added in found.added:
            self._add_message(added.recall_id, added.point, added.due_at)

    def _add_message(self, recall_id: int, way: Point, due_at: datetime) -> None:
        row = self.rows[recall_id]
        assert all(one.status is not MessageStatus.PREPARATION for one in row.messages)
        assert way.id not in {one.point_id for one in row.messages}
        message = MessageRow(next(self._keys), way.id, MessageStatus.PREPARATION, "", due_at, 0, 1)
        self.rows[recall_id] = replace(row, messages=(*row.messages, message))

    def _change_message(self, change) -> None:
        for row in self.rows.values():
            for message in row.messages:
                if message.id == change.id:
                    changed = replace(
                        message,
                        status=change.status,
                        reason=str(change.reason),
                        due_at=change.due_at,
                        version=message.version + 1,
                    )
                    others = tuple(one for one in row.messages if one.id != change.id)
                    self.rows[row.id] = replace(row, messages=(*others, changed))
                    return
        raise AssertionError(change)


def fresh(state: State, *, now: datetime) -> set[tuple]:
    """What stands when the course is planned once, from nothing."""
    table = Table()
    table.plan(state, now=now)
    return table.live()
