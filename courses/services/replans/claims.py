"""A worker's hold on one run, the sign that it lives, and what it writes in the end."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from django.conf import settings

from core.db import command, step
from courses import locks
from courses.models import Appointment, Replan, ReplanRow, ReplanRun
from courses.replan import ReplanAnswer
from courses.selectors.replanning.problem import Barred
from courses.services.replans.as_json import answer_json, placement_json, score_json, visit_json
from courses.services.replans.in_the_way import in_the_way
from courses.slots import reason_json
from courses.vocabulary import ReplanRowStatus, ReplanStatus, TaskStatus

MAX_ATTEMPTS: Final = 3


@dataclass(frozen=True, slots=True)
class Claim:
    """A worker has the run until the lease ends; `attempt` is what proves it."""

    run_id: int
    replan_id: int
    attempt: int

    @property
    def spent(self) -> bool:
        """Whether all attempts were made before: each of them ended without a word."""
        return self.attempt > MAX_ATTEMPTS


@dataclass(frozen=True, slots=True)
class Solved:
    """New slots, or why there are none, for these appointments. No answer: nobody to look for."""

    appointments: Sequence[Appointment]
    answer: ReplanAnswer | None
    barred: Sequence[Barred]
    policy: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Failed:
    """The run came to nothing."""

    reason: str


def lease_from(now: datetime) -> datetime:
    """Until when a worker that is not heard of is thought to live."""
    return now + timedelta(seconds=settings.FALLOW_REPLAN_LEASE_SECONDS)


@command
def run_claim(*, run_id: int, now: datetime) -> Claim | None:
    """Claim a run that nobody has, or whose worker is gone; None when there is nothing to do."""
    run = locks.lock_run_to_solve(pk=run_id, now=now)
    if run is None:
        return None
    run.status = TaskStatus.IN_PROGRESS
    run.attempt += 1
    run.lease_until = lease_from(now)
    run.started_at = now
    run.save()
    return Claim(run_id=run.pk, replan_id=run.replan_id, attempt=run.attempt)


@command
def run_report(*, claim: Claim, progress: Mapping[str, Any], now: datetime) -> bool:
    """Say that the worker lives, and where it stands; False when the run is not its any more."""
    held = ReplanRun.objects.filter(
        pk=claim.run_id, status=TaskStatus.IN_PROGRESS, attempt=claim.attempt
    )
    return bool(held.update(progress=dict(progress), lease_until=lease_from(now)))


@command
def run_settle(
    *, claim: Claim, outcome: Solved | Failed, progress: Mapping[str, Any], now: datetime
) -> bool:
    """Write what came of a claimed run; False when the claim was lost and nothing is written."""
    replan, run = locks.lock_replan(pk=claim.replan_id), locks.lock_replan_run(pk=claim.run_id)
    if replan is None or run is None or not _holds(claim, run):
        return False
    run.lease_until, run.ended_at = None, now
    run.progress = dict(progress)
    match outcome:
        case Solved():
            _propose(replan, run, outcome)
        case Failed(reason):
            run.status, run.status_reason = TaskStatus.FAILED, reason
            replan.status, replan.status_reason = ReplanStatus.FAILED, reason
    run.save()
    replan.save()
    return True


def _holds(claim: Claim, run: ReplanRun) -> bool:
    return run.status == TaskStatus.IN_PROGRESS and run.attempt == claim.attempt


@step
def _propose(replan: Replan, run: ReplanRun, solved: Solved) -> None:
    rows = list(_rows(run, solved))
    for row, others in in_the_way(rows, solved.appointments):
        row.reasons = [*row.reasons, _gives_way(others)]
    ReplanRow.objects.bulk_create(rows)
    run.status, run.policy = TaskStatus.COMPLETED, dict(solved.policy)
    run.answer = {
        "placed": sum(row.status == ReplanRowStatus.PLACED for row in rows),
        "unplaced": sum(row.status == ReplanRowStatus.UNPLACED for row in rows),
        **(answer_json(solved.answer) if solved.answer else {}),
    }
    replan.status, replan.status_reason = ReplanStatus.PROPOSED, ""


def _rows(run: ReplanRun, solved: Solved) -> Iterable[ReplanRow]:
    answer = solved.answer
    placements = {one.key: one for one in answer.placements} if answer else {}
    reasons = {one.key: one.reasons for one in solved.barred}
    if answer:
        reasons |= {one.key: one.reasons for one in answer.unplaced}
    for appointment in solved.appointments:
        placement = placements.get(appointment.pk)
        yield ReplanRow(
            run=run,
            appointment=appointment,
            appointment_version=appointment.version,
            status=ReplanRowStatus.PLACED if placement else ReplanRowStatus.UNPLACED,
            old=visit_json(appointment),
            new=placement_json(placement) if placement else None,
            score=score_json(placement) if placement else {},
            reasons=[reason_json(one) for one in reasons.get(appointment.pk, ())],
        )


def _gives_way(others: Sequence[int]) -> dict[str, Any]:
    return {
        "code": "in_the_way",
        "detail": "The time that it keeps is given to others of this plan.",
        "data": {"appointments": list(others)},
    }
