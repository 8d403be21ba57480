"""What to write so that the rows of a course are as the outlook says. Pure.

Rows that a worker has in hand, and what a person decided, stay as they are. Writing the
differences twice writes nothing the second time.
"""

from collections.abc import Iterable, Iterator, Mapping, Set
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from courses.timing.cadence import Cadence, CadenceStep
from courses.timing.outlook import GAP, Closed, CourseFacts, WantedStep, open_days
from courses.timing.outlook import Place as Where
from courses.timing.points import Point, usable_points, why_unusable
from courses.timing.right_hour import right_hour
from courses.timing.withdrawn import covered_by, why_unwanted
from courses.timing.words import ClosedDays
from courses.vocabulary import Channel, MessageStatus, RecallKind, RecallReason, RequestStatus

LIVE: Final = (RequestStatus.ACTIVE, RequestStatus.ON_HOLD)
WAITING: Final = (MessageStatus.PREPARATION, MessageStatus.ON_HOLD)
TOLD: Final = (*LIVE, RequestStatus.COMPLETED)
UNDER_WAY: Final = (*WAITING, MessageStatus.IN_PROGRESS)


@dataclass(frozen=True, slots=True)
class MessageRow:
    """A message of a recall as it stands. `may_have_left`: nobody knows whether it has."""

    id: int
    point_id: int
    status: MessageStatus
    reason: str
    due_at: datetime
    attempt: int
    version: int
    may_have_left: bool = False

    @property
    def waits(self) -> bool:
        """Whether it is to leave still."""
        return self.status in WAITING

    @property
    def begun(self) -> bool:
        """Whether it waits for another attempt."""
        return self.waits and (self.attempt > 0 or self.may_have_left)

    @property
    def unknown(self) -> bool:
        """Whether it ended, and nobody knows how."""
        over = self.status in {MessageStatus.NOT_DONE, MessageStatus.STOPPED}
        return over and (self.may_have_left or self.reason == RecallReason.OUTCOME_UNKNOWN)


@dataclass(frozen=True, slots=True)
class RecallRow:
    """A recall as it stands.

    `by_person`: somebody withdrew it, and what would follow it; that stands above the planner.
    """

    id: int
    key: tuple[str, str, str]
    status: RequestStatus
    reason: str
    due_at: datetime
    version: int
    by_person: bool = False
    appointment_id: int | None = None
    messages: tuple[MessageRow, ...] = ()

    @property
    def live(self) -> bool:
        """Whether something may still come of it."""
        return self.status in LIVE


@dataclass(frozen=True, slots=True)
class Aim:
    """How a wanted step should stand: its status, and the message that should leave for it."""

    status: RequestStatus
    reason: str = ""
    point: Point | None = None
    leaves_at: datetime | None = None
    untouched: bool = False


@dataclass(frozen=True, slots=True)
class NewRecall:
    """A row to insert, with its first message where there is one."""

    step: WantedStep
    aim: Aim


@dataclass(frozen=True, slots=True)
class RecallChange:
    """A row to change, unless it is no longer at `version`."""

    id: int
    version: int
    status: RequestStatus
    reason: str
    due_at: datetime


@dataclass(frozen=True, slots=True)
class MessageChange:
    """A row to change, unless it is no longer at `version`."""

    id: int
    version: int
    status: MessageStatus
    reason: str
    due_at: datetime


@dataclass(frozen=True, slots=True)
class NewMessage:
    """A message to insert for a recall that is there."""

    recall_id: int
    point: Point
    due_at: datetime


@dataclass(frozen=True, slots=True)
class Differences:
    """All that is to be written for one course; ended messages come before new ones."""

    new: tuple[NewRecall, ...] = ()
    recalls: tuple[RecallChange, ...] = ()
    ended: tuple[MessageChange, ...] = ()
    messages: tuple[MessageChange, ...] = ()
    added: tuple[NewMessage, ...] = ()


@dataclass(frozen=True, slots=True)
class Ways:
    """How the patient can be reached, by which cadence, and when clinics are closed."""

    points: tuple[Point, ...]
    reachable: frozenset[Channel]
    cadence: Cadence
    closed: Closed


def differences(
    wanted: Iterable[WantedStep],
    *,
    rows: Iterable[RecallRow],
    facts: CourseFacts,
    ways: Ways,
    now: datetime,
) -> Differences:
    """What to write for one course so that its rows are the wanted ones."""
    rows = tuple(rows)
    there = {row.key: row for row in rows}
    stopped = stopped_by(rows)
    steps = standing_steps(wanted, rows=rows)
    kept = {step.key for step in steps}
    found = _Found()
    for step in steps:
        row = there.get(step.key)
        aim = aim_for(step, row=row, ways=ways)
        if row is None:
            found.add_new(step, aim)
        elif row.live or (row.status is RequestStatus.REVOKED and not row.by_person):
            found.bring(row, step, aim, ways=ways)
    for row in rows:
        if row.live and row.key not in kept:
            reason = why_unwanted(row, facts=facts, stopped=stopped, now=now)
            if reason is not None:
                found.withdraw(row, reason)
    return found.done()


def standing_steps(wanted: Iterable[WantedStep], *, rows: Iterable[RecallRow]) -> list[WantedStep]:
    """Those of the wanted steps that nobody has stopped and no notice has told."""
    rows = tuple(rows)
    stopped, noticed = stopped_by(rows), _noticed(rows)
    return [
        step
        for step in wanted
        if covered_by(step.occasion) not in stopped and not _told_by_notice(step, noticed)
    ]


def stopped_by(rows: Iterable[RecallRow]) -> frozenset[str]:
    """What people have withdrawn, as `covered_by` names it. What was told before counts too."""
    return frozenset(covered_by(row.key[0]) for row in rows if row.by_person and not row.live)


def _noticed(rows: Iterable[RecallRow]) -> dict[str, datetime]:
    """When a notice last told of a visit at its time, by the occasion of its reminders."""
    told: dict[str, datetime] = {}
    for row in rows:
        if row.key[1] == RecallKind.CHANGE and row.status in TOLD:
            occasion = row.key[0].rpartition(":")[0]
            told[occasion] = max(row.due_at, told.get(occasion, row.due_at))
    return told


def _told_by_notice(step: WantedStep, noticed: Mapping[str, datetime]) -> bool:
    """Whether a notice said the same less than a day before the step: nobody hears twice."""
    notice = noticed.get(step.occasion)
    return notice is not None and step.due_at < notice + GAP


def aim_for(step: WantedStep, *, row: RecallRow | None, ways: Ways) -> Aim:
    """How the step should stand, given the messages that were tried for it."""
    messages = row.messages if row else ()
    usable = usable_points(ways.points, step=step.step, reachable=ways.reachable)
    stays = _told(row) or _stays(messages, usable={point.id for point in usable})
    if stays is not None:
        return stays
    spent = {one.point_id for one in messages if one.status is MessageStatus.STOPPED}
    left = [one for one in usable if one.id not in spent]
    if not left:
        reason = RecallReason.UNREACHABLE if spent else RecallReason.NO_CONTACT_POINT
        status = RequestStatus.ON_HOLD if step.step.desk else RequestStatus.REVOKED
        return Aim(status, reason)
    for point in left:
        leaves_at = leaves(step.due_at, point=point, step=step.step, place=step.place, ways=ways)
        if step.before is None or leaves_at < step.before:
            return Aim(RequestStatus.ACTIVE, point=point, leaves_at=leaves_at)
    # Who is not told that a visit was moved comes at the old time: somebody has to call.
    moved = step.step.kind is RecallKind.CHANGE
    status = RequestStatus.ON_HOLD if moved else RequestStatus.REVOKED
    return Aim(status, RecallReason.TOO_LATE)


def _told(row: RecallRow | None) -> Aim | None:
    """How a step stands that was told while it was withdrawn, and is wanted again; else None.

    A row that was taken back is taken up first, and is completed at the next look.
    """
    messages = row.messages if row else ()
    if row is None or not any(one.status is MessageStatus.COMPLETED for one in messages):
        return None
    if any(one.status is MessageStatus.IN_PROGRESS for one in messages):
        return None
    return Aim(RequestStatus.COMPLETED if row.live else RequestStatus.ACTIVE)


def _stays(messages: Iterable[MessageRow], *, usable: Set[int]) -> Aim | None:
    """How a step stands that a worker is at; None when none is."""
    messages = tuple(messages)
    if any(one.status is MessageStatus.IN_PROGRESS for one in messages):
        return Aim(RequestStatus.ACTIVE, untouched=True)
    # Whoever may have heard is told by no other way: somebody has to find out.
    unknown = Aim(RequestStatus.ON_HOLD, RecallReason.OUTCOME_UNKNOWN)
    if any(one.unknown for one in messages):
        return unknown
    if any(one.begun and one.point_id in usable for one in messages):
        return Aim(RequestStatus.ACTIVE, untouched=True)
    return unknown if any(one.begun and one.may_have_left for one in messages) else None


def leaves(
    due_at: datetime, *, point: Point, step: CadenceStep, place: Where, ways: Ways
) -> datetime:
    """When a step that is due leaves by this contact point: its right hour."""
    late = step.closed_days is ClosedDays.LATER
    days = open_days(place, cadence=ways.cadence, closed=ways.closed) if late else None
    return right_hour(due_at, quiet=point.quiet_in(ways.cadence), days=days)


class _Found:
    """Collects what differs."""

    def __init__(self) -> None:
        self.new: list[NewRecall] = []
        self.recalls: list[RecallChange] = []
        self.ended: list[MessageChange] = []
        self.messages: list[MessageChange] = []
        self.added: list[NewMessage] = []

    def done(self) -> Differences:
        return Differences(
            tuple(self.new),
            tuple(self.recalls),
            tuple(self.ended),
            tuple(self.messages),
            tuple(self.added),
        )

    def add_new(self, step: WantedStep, aim: Aim) -> None:
        # A step that reaches nobody leaves no row; one that would come too late says so.
        if aim.status is not RequestStatus.REVOKED or aim.reason == RecallReason.TOO_LATE:
            self.new.append(NewRecall(step, aim))

    def bring(self, row: RecallRow, step: WantedStep, aim: Aim, *, ways: Ways) -> None:
        """Bring a row that is there, and its messages, to what it should be."""
        if aim.untouched and row.live:
            aim = Aim(row.status, row.reason, untouched=True)
        if (row.status, row.reason, row.due_at) != (aim.status, aim.reason, step.due_at):
            self.recalls.append(
                RecallChange(row.id, row.version, aim.status, aim.reason, step.due_at)
            )
        if aim.untouched:
            return
        moved = row.due_at != step.due_at
        standing = None
        for message in row.messages:
            if not message.waits:
                continue
            if aim.point is not None and message.point_id == aim.point.id:
                standing = message
            else:
                self._end(message, self._why_ended(message, step.step, aim, ways=ways))
        if aim.point is not None and aim.leaves_at is not None:
            self._message(row, standing, aim.point, aim.leaves_at, moved=moved)

    def withdraw(self, row: RecallRow, reason: RecallReason) -> None:
        self.recalls.append(
            RecallChange(row.id, row.version, RequestStatus.REVOKED, reason, row.due_at)
        )
        for message in row.messages:
            if message.waits:
                self._end(message, reason)

    def _message(
        self,
        row: RecallRow,
        standing: MessageRow | None,
        point: Point,
        leaves_at: datetime,
        *,
        moved: bool,
    ) -> None:
        if standing is not None:
            # What was put off at its time stays put off; a call waits for a person.
            waits = standing.status is MessageStatus.ON_HOLD or bool(standing.reason)
            if standing.due_at != leaves_at and (moved or not waits):
                self.messages.append(self._prepared(standing, leaves_at))
            return
        before = next((one for one in row.messages if one.point_id == point.id), None)
        if before is None:
            self.added.append(NewMessage(row.id, point, leaves_at))
        elif before.status is MessageStatus.NOT_DONE:
            self.messages.append(self._prepared(before, leaves_at))

    def _end(self, message: MessageRow, reason: str) -> None:
        self.ended.append(
            MessageChange(
                message.id, message.version, MessageStatus.NOT_DONE, reason, message.due_at
            )
        )

    @staticmethod
    def _prepared(message: MessageRow, leaves_at: datetime) -> MessageChange:
        return MessageChange(message.id, message.version, MessageStatus.PREPARATION, "", leaves_at)

    @staticmethod
    def _why_ended(message: MessageRow, step: CadenceStep, aim: Aim, *, ways: Ways) -> str:
        by_id: Mapping[int, Point] = {point.id: point for point in ways.points}
        point = by_id.get(message.point_id)
        if point is None:
            return RecallReason.SUPERSEDED
        why = why_unusable(point, step=step, reachable=ways.reachable)
        return why or aim.reason or RecallReason.SUPERSEDED


def alive(messages: Iterable[MessageRow]) -> Iterator[MessageRow]:
    """The messages that are under way: one at most."""
    return (one for one in messages if one.status in UNDER_WAY)
