"""The differences of many courses, written with one statement for each kind of them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db import connection

from core.db import step
from courses.models import Message, Recall
from courses.timing.differences import (
    Differences,
    MessageChange,
    NewMessage,
    NewRecall,
    RecallChange,
)
from courses.vocabulary import MessageStatus, RecallKind

# A row that somebody else has changed since it was read stays: the next look sees it.
RECALLS: Final = """
    UPDATE courses_recall AS recall
    SET status = aim.status, status_reason = aim.reason, due_at = aim.due_at,
        version = recall.version + 1, updated_at = %s
    FROM unnest(%s::bigint[], %s::int[], %s::text[], %s::text[], %s::timestamptz[])
        AS aim (id, version, status, reason, due_at)
    WHERE recall.id = aim.id AND recall.version = aim.version
"""
MESSAGES: Final = """
    UPDATE courses_message AS message
    SET status = aim.status, status_reason = aim.reason, due_at = aim.due_at,
        version = message.version + 1, updated_at = %s
    FROM unnest(%s::bigint[], %s::int[], %s::text[], %s::text[], %s::timestamptz[])
        AS aim (id, version, status, reason, due_at)
    WHERE message.id = aim.id AND message.version = aim.version
"""
LOOKS: Final = """
    UPDATE courses_recallplan AS plan SET policy = aim.policy, look_at = aim.look_at
    FROM unnest(%s::bigint[], %s::int[], %s::timestamptz[]) AS aim (course_id, policy, look_at)
    WHERE plan.course_id = aim.course_id
"""


@dataclass(frozen=True, slots=True)
class Planned:
    """What was found for one course under the policy of that number."""

    course_id: int
    number: int
    look_at: datetime | None
    differences: Differences


@step
def plans_write(planned: Sequence[Planned], *, now: datetime) -> None:
    """Write what differs for these courses, whose plans are locked. Nothing costs nothing."""
    found = [one.differences for one in planned]
    _change(RECALLS, [change for one in found for change in one.recalls], now=now)
    _change(MESSAGES, [change for one in found for change in one.ended], now=now)
    _change(MESSAGES, [change for one in found for change in one.messages], now=now)
    new = [(one, fresh) for one in planned for fresh in one.differences.new]
    rows = Recall.objects.bulk_create(_recall(one, fresh) for one, fresh in new)
    first = (_message(row.pk, fresh) for row, (_, fresh) in zip(rows, new, strict=True))
    added = (_added(message) for one in found for message in one.added)
    Message.objects.bulk_create([one for one in (*first, *added) if one is not None])


@step
def looks_write(planned: Iterable[Planned]) -> None:
    """Say when each of these courses is to be looked at next."""
    rows = sorted((one.course_id, one.number, one.look_at) for one in planned)
    with connection.cursor() as cursor:
        cursor.execute(LOOKS, [list(column) for column in zip(*rows, strict=True)])


@step
def _change(
    statement: str, changes: Sequence[RecallChange | MessageChange], *, now: datetime
) -> None:
    if not changes:
        return
    rows = sorted(
        (one.id, one.version, str(one.status), str(one.reason), one.due_at) for one in changes
    )
    with connection.cursor() as cursor:
        cursor.execute(statement, [now, *(list(column) for column in zip(*rows, strict=True))])


def _recall(one: Planned, fresh: NewRecall) -> Recall:
    wanted = fresh.step
    kind = wanted.step.kind
    return Recall(
        course_id=one.course_id,
        window_id=wanted.about if kind is RecallKind.INVITATION else None,
        appointment_id=wanted.about if kind is RecallKind.REMINDER else None,
        session_id=wanted.about if kind is RecallKind.AFTERCARE else None,
        kind=kind,
        step=wanted.step.key,
        cadence=one.number,
        template=wanted.step.template,
        occasion=wanted.occasion,
        due_at=wanted.due_at,
        status=fresh.aim.status,
        status_reason=fresh.aim.reason,
    )


def _message(recall_id: int, fresh: NewRecall) -> Message | None:
    point, leaves_at = fresh.aim.point, fresh.aim.leaves_at
    if point is None or leaves_at is None:
        return None
    return _added(NewMessage(recall_id, point, leaves_at))


def _added(message: NewMessage) -> Message:
    return Message(
        recall_id=message.recall_id,
        contact_point_id=message.point.id,
        channel=message.point.channel,
        status=MessageStatus.PREPARATION,
        due_at=message.due_at,
    )
