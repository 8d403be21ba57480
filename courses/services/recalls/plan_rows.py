"""The differences of many courses, written with one statement for each kind of them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db import connection

from core.db import step
from courses.timing.differences import (
    Differences,
    MessageChange,
    NewMessage,
    NewRecall,
    RecallChange,
)
from courses.vocabulary import RecallKind

# What can be had at once, and is as it was read.
FREE_RECALLS: Final = """
    SELECT recall.id FROM courses_recall AS recall
    JOIN unnest(%s::bigint[], %s::int[]) AS aim (id, version)
        ON recall.id = aim.id AND recall.version = aim.version
    ORDER BY recall.id FOR NO KEY UPDATE OF recall SKIP LOCKED
"""
FREE_MESSAGES: Final = FREE_RECALLS.replace("recall", "message")
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
# Rows as columns of one statement: made for a batch, they cost a third of what a model each does.
NEW_RECALLS: Final = """
    INSERT INTO courses_recall (
        course_id, window_id, appointment_id, session_id, kind, step, cadence, template, occasion,
        due_at, status, status_reason, version, created_at, updated_at
    )
    SELECT course_id, window_id, appointment_id, session_id, kind, step, cadence, template,
        occasion, due_at, status, reason, 1, %s, %s
    FROM unnest(
        %s::bigint[], %s::bigint[], %s::bigint[], %s::bigint[], %s::text[], %s::text[],
        %s::int[], %s::text[], %s::text[], %s::timestamptz[], %s::text[], %s::text[]
    ) AS fresh (
        course_id, window_id, appointment_id, session_id, kind, step, cadence, template, occasion,
        due_at, status, reason
    )
    RETURNING id, course_id, occasion, kind, step
"""
NEW_MESSAGES: Final = """
    INSERT INTO courses_message (
        recall_id, contact_point_id, channel, due_at, status, status_reason, attempt,
        provider_reference, version, created_at, updated_at
    )
    SELECT recall_id, contact_point_id, channel, due_at, 'preparation', '', 0, '', 1, %s, %s
    FROM unnest(%s::bigint[], %s::bigint[], %s::text[], %s::timestamptz[])
        AS fresh (recall_id, contact_point_id, channel, due_at)
"""
LOOKS: Final = """
    UPDATE courses_recallplan AS plan
    SET policy = aim.policy, look_at = aim.look_at, failures = 0
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
def plans_write(planned: Sequence[Planned], *, now: datetime) -> list[Planned]:
    """Write what differs for these courses, whose plans are locked. Nothing costs nothing.

    A course of which somebody has a row in hand, or has changed one since it was read, is left as
    it is and stays due: those that were left. Nobody is waited for.
    """
    recalls = _free(FREE_RECALLS, [row for one in planned for row in one.differences.recalls])
    messages = _free(FREE_MESSAGES, [row for one in planned for row in _messages_of(one)])
    left = [
        one
        for one in planned
        if {row.id for row in one.differences.recalls} - recalls
        or {row.id for row in _messages_of(one)} - messages
    ]
    kept = {one.course_id for one in planned} - {one.course_id for one in left}
    _write([one for one in planned if one.course_id in kept], now=now)
    return left


@step
def _write(planned: Sequence[Planned], *, now: datetime) -> None:
    found = [one.differences for one in planned]
    _change(RECALLS, [change for one in found for change in one.recalls], now=now)
    _change(MESSAGES, [change for one in found for change in one.ended], now=now)
    _change(MESSAGES, [change for one in found for change in one.messages], now=now)
    new = [(one, fresh) for one in planned for fresh in one.differences.new]
    keys = _insert_recalls(new, now=now)
    first = (_first_message(keys[one.course_id, *fresh.step.key], fresh) for one, fresh in new)
    added = (message for one in found for message in one.added)
    _insert_messages([one for one in (*first, *added) if one is not None], now=now)


@step
def looks_write(planned: Iterable[Planned]) -> None:
    """Say when each of these courses is to be looked at next."""
    rows = sorted((one.course_id, one.number, one.look_at) for one in planned)
    with connection.cursor() as cursor:
        cursor.execute(LOOKS, [list(column) for column in zip(*rows, strict=True)])


def _messages_of(one: Planned) -> tuple[MessageChange, ...]:
    return (*one.differences.ended, *one.differences.messages)


@step
def _free(statement: str, changes: Sequence[RecallChange | MessageChange]) -> set[int]:
    if not changes:
        return set()
    rows = sorted((one.id, one.version) for one in changes)
    with connection.cursor() as cursor:
        cursor.execute(statement, [list(column) for column in zip(*rows, strict=True)])
        return {pk for (pk,) in cursor.fetchall()}


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


Key = tuple[int, str, str, str]


@step
def _insert_recalls(new: Sequence[tuple[Planned, NewRecall]], *, now: datetime) -> dict[Key, int]:
    """The ids of the new rows by what is unique in them."""
    if not new:
        return {}
    rows = [_recall(one, fresh) for one, fresh in new]
    with connection.cursor() as cursor:
        cursor.execute(NEW_RECALLS, [now, now, *(list(one) for one in zip(*rows, strict=True))])
        return {(course, *key): pk for pk, course, *key in cursor.fetchall()}


@step
def _insert_messages(messages: Sequence[NewMessage], *, now: datetime) -> None:
    if not messages:
        return
    rows = [(one.recall_id, one.point.id, one.point.channel.value, one.due_at) for one in messages]
    with connection.cursor() as cursor:
        cursor.execute(NEW_MESSAGES, [now, now, *(list(one) for one in zip(*rows, strict=True))])


def _recall(one: Planned, fresh: NewRecall) -> tuple[object, ...]:
    """The values of a new row, in the order of the statement."""
    wanted = fresh.step
    kind = wanted.step.kind
    return (
        one.course_id,
        wanted.about if kind is RecallKind.INVITATION else None,
        wanted.about if kind is RecallKind.REMINDER else None,
        wanted.about if kind is RecallKind.AFTERCARE else None,
        kind.value,
        wanted.step.key,
        one.number,
        wanted.step.template,
        wanted.occasion,
        wanted.due_at,
        fresh.aim.status.value,
        str(fresh.aim.reason),
    )


def _first_message(recall_id: int, fresh: NewRecall) -> NewMessage | None:
    point, leaves_at = fresh.aim.point, fresh.aim.leaves_at
    if point is None or leaves_at is None:
        return None
    return NewMessage(recall_id, point, leaves_at)
