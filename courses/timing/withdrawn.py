"""Why a step that stands as a row is not wanted any more. Pure."""

from collections.abc import Collection
from datetime import datetime
from typing import Protocol

from courses.timing.outlook import (
    CourseFacts,
    VisitFacts,
    invitation_occasion,
    standing_until,
    visit_occasion,
)
from courses.vocabulary import (
    AppointmentStatus,
    RecallKind,
    RecallReason,
    WindowState,
)


class Row(Protocol):
    """What is asked of a recall."""

    @property
    def key(self) -> tuple[str, str, str]: ...
    @property
    def appointment_id(self) -> int | None: ...
    @property
    def due_at(self) -> datetime: ...


def why_unwanted(
    row: Row, *, facts: CourseFacts, stopped: Collection[str], now: datetime
) -> RecallReason | None:
    """Why the row is to be withdrawn; None for a notice that still says what is so.

    `stopped`: what people have withdrawn, as `covered_by` names it.
    """
    occasion, kind, _ = row.key
    if facts.ended is not None:
        return facts.ended
    if covered_by(occasion) in stopped:
        return RecallReason.WITHDRAWN
    if kind == RecallKind.INVITATION:
        return _invitation(occasion, facts=facts, due_at=row.due_at, now=now)
    if kind == RecallKind.AFTERCARE:
        return RecallReason.TOO_LATE if row.due_at <= now else RecallReason.POLICY_CHANGED
    visit = next((one for one in facts.visits if one.id == row.appointment_id), None)
    return _about_visit(row, visit, now=now)


def covered_by(occasion: str) -> str:
    """What is withdrawn with an occasion: a healing window on whatever day it closes.

    A visit that falls through and a request for later are things of their own, as ever.
    """
    match occasion.split(":"):
        case ["window", window, _, *more]:
            return ":".join(["window", window, *more])
        case _:
            return occasion


def _invitation(
    occasion: str, *, facts: CourseFacts, due_at: datetime, now: datetime
) -> RecallReason:
    if standing_until(facts, now=now) is not None:
        return RecallReason.BOOKED
    present = invitation_occasion(facts, now=now)
    if present is None:
        return RecallReason.SKIN_NOT_READY
    if present != occasion:
        if ":later:" in present:
            return RecallReason.ASKED_FOR_LATER
        healing = any(one.state is WindowState.OPEN for one in facts.windows)
        return RecallReason.SKIN_NOT_READY if healing else RecallReason.SUPERSEDED
    return RecallReason.SUPERSEDED if due_at <= now else RecallReason.POLICY_CHANGED


def _about_visit(row: Row, visit: VisitFacts | None, *, now: datetime) -> RecallReason | None:
    occasion, kind, _ = row.key
    if visit is None or visit.status is not AppointmentStatus.BOOKED:
        return RecallReason.APPOINTMENT_ENDED
    if not occasion.startswith(visit_occasion(visit.id, visit.starts_at)):
        return RecallReason.APPOINTMENT_MOVED
    if visit.starts_at <= now:
        return RecallReason.TOO_LATE
    if kind == RecallKind.CHANGE:
        return None
    return RecallReason.SUPERSEDED if row.due_at <= now else RecallReason.POLICY_CHANGED
