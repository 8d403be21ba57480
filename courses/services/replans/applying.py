"""A proposal is applied: all of it, or nothing when the diary has changed."""

from collections.abc import Collection, Sequence
from datetime import datetime

from clinics.access import Actor
from clinics.errors import ResourceTaken
from clinics.locks import lock_resources
from clinics.services.reservations import release_all, resources_held_by
from core.db import command, step
from courses.errors import DiaryChanged, UnplacedInTheWay
from courses.models import Appointment, Replan, ReplanRow
from courses.selectors.replanning.runs import proposed_rows
from courses.selectors.sequence import free_again_at
from courses.services.booking.writing import put_visit, source_of, write_visit
from courses.services.recalls.notices import notice_queue
from courses.services.replans.as_json import visit_of_json
from courses.services.replans.asking import locked_replan, require_replan_step
from courses.services.replans.checking import (
    Move,
    changes_of,
    find_resources,
    is_fit,
    note_changed,
    note_taken,
    note_too_close,
)
from courses.services.replans.in_the_way import in_the_way
from courses.services.replans.unplaced import lock_visits, unplaced_end
from courses.timing.words import NoticeTopic
from courses.vocabulary import ReplanRowStatus, ReplanStatus, UnplacedChoice

OPEN = (ReplanRowStatus.PLACED, ReplanRowStatus.UNPLACED)


@command
def replan_apply(
    *,
    replan_id: int,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
    unplaced: UnplacedChoice | None = None,
    reason: str = "",
) -> Replan:
    """Move every visit that has a new slot to it, and queue what the patients are told.

    All visits are freed first and then placed, so that two may change places. Those without a
    slot stay as they are, or `unplaced` says what becomes of all of them. Raises ReplanUnknown,
    NotAllowed, Stale, StatusStepRefused, UnplacedInTheWay, DiaryChanged (nothing is moved).
    """
    replan = locked_replan(replan_id, actor=actor, version=expected_version)
    require_replan_step(replan, ReplanStatus.APPLIED)
    rows = list(proposed_rows(replan).filter(status__in=OPEN))
    appointments = lock_visits(row.appointment_id for row in rows)
    moves = _moves(rows, appointments)
    leaving = [row for row in rows if row.status == ReplanRowStatus.UNPLACED]
    _require_allowed(actor, moves)
    if unplaced is None:
        _refuse_in_the_way(rows, appointments)
    _lock_all(moves, leaving if unplaced else (), actor=actor, now=now)
    if unplaced is not None:
        unplaced_end(leaving, appointments, choice=unplaced, reason=reason, actor=actor, now=now)
    _place(moves, leaving={row.appointment_id for row in leaving}, actor=actor, now=now)
    _tell(moves, now=now)
    replan.applied_by_id, replan.applied_at = actor.staff_id, now
    replan.save()
    return replan


def _moves(rows: Sequence[ReplanRow], appointments: Sequence[Appointment]) -> list[Move]:
    by_pk = {one.pk: one for one in appointments}
    return [
        Move(
            row=row,
            appointment=by_pk[row.appointment_id],
            visit=visit_of_json(row.new, timeline=by_pk[row.appointment_id].timeline),
            free_again=free_again_at(by_pk[row.appointment_id]),
        )
        for row in rows
        if row.new is not None
    ]


def _require_allowed(actor: Actor, moves: Sequence[Move]) -> None:
    old = {move.appointment.clinic_id for move in moves}
    for clinic_id in sorted(old | {move.visit.place.clinic_id for move in moves}):
        actor.require_at(clinic_id, "replan.write")


def _refuse_in_the_way(rows: Sequence[ReplanRow], appointments: Sequence[Appointment]) -> None:
    found = [
        {"appointment": row.appointment_id, "gives_way_to": others}
        for row, others in in_the_way(rows, appointments)
    ]
    if found:
        raise UnplacedInTheWay(unplaced=found)


@step
def _lock_all(
    moves: Sequence[Move], ending: Sequence[ReplanRow], *, actor: Actor, now: datetime
) -> None:
    """Lock what is given up and what is wanted, in one ordered set. Raises DiaryChanged."""
    note_changed(moves, now=now)
    find_resources(moves, actor=actor)
    _refuse_changed(moves)
    wanted = {pk for move in moves if move.resources for pk in move.resources.ids()}
    ended = [f"appointment:{row.appointment_id}" for row in ending]
    held = resources_held_by(*(source_of(move.appointment) for move in moves), *ended)
    lock_resources(wanted | held)


@step
def _place(moves: Sequence[Move], *, leaving: Collection[int], actor: Actor, now: datetime) -> None:
    """Free all, then place all. Raises DiaryChanged with everything that has changed."""
    release_all(sources=[source_of(move.appointment) for move in moves])
    for move in moves:
        move.appointment.override_reason = ""
        put_visit(move.appointment, move.visit, course=move.appointment.course)
    note_too_close(moves, leaving=leaving, now=now)
    for move in moves:
        if move.resources is None or not is_fit(move, actor=actor, now=now):
            continue
        try:
            write_visit(move.appointment, move.visit, resources=move.resources, now=now)
        except ResourceTaken as taken:
            note_taken(move, taken)
    _refuse_changed(moves)


def _refuse_changed(moves: Sequence[Move]) -> None:
    if found := list(changes_of(moves)):
        count = len({change["appointment"] for change in found})
        raise DiaryChanged(
            f"{count} of {len(moves)} visits cannot be moved as proposed. Nothing was moved.",
            changes=found,
        )


@step
def _tell(moves: Sequence[Move], *, now: datetime) -> None:
    """Queue a message for each visit with another time or clinic; note what was done."""
    for move in moves:
        old, new = move.row.old, move.row.new or {}
        move.row.status = ReplanRowStatus.MOVED
        if (old["start"], old["clinic"]) != (new["start"], new["clinic"]):
            move.row.recall = notice_queue(
                appointment=move.appointment, topic=NoticeTopic.MOVED, now=now
            )
    ReplanRow.objects.bulk_update([move.row for move in moves], ["status", "recall"])
