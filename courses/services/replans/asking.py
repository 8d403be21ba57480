"""A re-plan is asked for, solved again, or given up."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from clinics.access import Actor
from core.db import as_range, command, step
from core.jobs import enqueue
from core.transitions import allows
from courses import locks
from courses.errors import NothingHit, ReplanUnknown, StatusStepRefused, TooManyHit
from courses.models import Appointment, Replan, ReplanOutage, ReplanRow, ReplanRun
from courses.replan import MAX_DISPLACED
from courses.selectors.replanning.outages import Outage, broken_by, hits_of, outages_of
from courses.selectors.replanning.problem import Horizon
from courses.transitions import REPLAN
from courses.vocabulary import ReplanStatus, TaskStatus

SOLVE: Final = "courses.solve_replan"
DEFAULT_SECONDS: Final = 120
MAX_SECONDS: Final = 180
OPEN: Final = (TaskStatus.REQUESTED, TaskStatus.IN_PROGRESS)


@dataclass(frozen=True, slots=True)
class Order:
    """What is broken, and what a re-plan may do about it. `seconds`: wall time at most."""

    outages: Sequence[Outage]
    clinic_ids: Sequence[int] = ()
    days: int = 28
    notice_hours: int = 24
    policy: Mapping[str, int] = field(default_factory=dict)
    reason: str = ""
    seed: int = 1
    seconds: int = DEFAULT_SECONDS


@command
def replan_create(*, order: Order, actor: Actor, now: datetime) -> Replan:
    """Ask for new slots for all visits that the outages hit; a worker looks for them.

    The actor must hold `replan.write` at every clinic of these visits and every one that they
    may go to. Raises NotAllowed, NothingHit, TooManyHit, HorizonTooLong.
    """
    movable = _movable(order.outages, actor=actor, now=now)
    _require(actor, {one.clinic_id for one in movable} | {*order.clinic_ids})
    Horizon(order.days).grid(movable, now=now)
    replan = Replan.objects.create(
        chain_id=actor.chain_id,
        reason=order.reason,
        clinic_ids=sorted({*order.clinic_ids}),
        days=order.days,
        notice_hours=order.notice_hours,
        policy=dict(order.policy),
        hits=len(movable),
        requested_by_id=actor.staff_id,
    )
    ReplanOutage.objects.bulk_create(
        ReplanOutage(
            replan=replan, kind=one.kind, subject_id=one.subject_id, period=as_range(one.span)
        )
        for one in order.outages
    )
    _ask(replan, seed=order.seed, seconds=order.seconds, now=now)
    return replan


@command
def replan_solve_again(
    *,
    replan_id: int,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
    seed: int | None = None,
    seconds: int | None = None,
) -> Replan:
    """Look again, at the diary as it is now, from what was proposed last.

    Raises ReplanUnknown, NotAllowed, Stale, StatusStepRefused.
    """
    replan = locked_replan(replan_id, actor=actor, version=expected_version)
    _require_where_it_hits(replan, actor=actor, now=now)
    require_replan_step(replan, ReplanStatus.PLANNING)
    last = replan.runs.order_by("-number")[0]
    # A run that failed has proposed nothing: the one before it has.
    before = replan.runs.filter(status=TaskStatus.COMPLETED).order_by("-number").first()
    _ask(
        replan,
        seed=last.seed if seed is None else seed,
        seconds=last.seconds if seconds is None else seconds,
        now=now,
        number=last.number + 1,
        follows=before,
    )
    replan.status_reason = ""
    replan.save()
    return replan


@command
def replan_cancel(
    *,
    replan_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Replan:
    """Give a re-plan up; a worker that is at it stops. Nothing that is booked changes.

    Raises ReplanUnknown, NotAllowed, Stale, StatusStepRefused.
    """
    replan = locked_replan(replan_id, actor=actor, version=expected_version)
    _require_where_it_hits(replan, actor=actor, now=now)
    require_replan_step(replan, ReplanStatus.CANCELLED)
    for run in locks.lock_replan_runs(replan):
        if run.status in OPEN:
            run.status, run.ended_at, run.lease_until = TaskStatus.CANCELLED, now, None
            run.save()
    replan.status_reason = reason
    replan.save()
    return replan


@step
def locked_replan(replan_id: int, *, actor: Actor, version: int | None) -> Replan:
    """The re-plan, locked. Raises ReplanUnknown, NotAllowed, Stale.

    The actor must hold `replan.write` at the clinics of its visits; of those that are hit or
    proposed since, ask too.
    """
    replan = locks.lock_replan(pk=replan_id)
    if replan is None or replan.chain_id != actor.chain_id:
        raise ReplanUnknown(replan=replan_id)
    visits = ReplanRow.objects.filter(run__replan=replan)
    clinics = {*replan.clinic_ids, *visits.values_list("appointment__clinic_id", flat=True)}
    _require(actor, clinics or {None})
    replan.check_version(version)
    return replan


def require_replan_step(replan: Replan, status: ReplanStatus) -> None:
    """Give the re-plan a status that may follow the one it has. Raises StatusStepRefused."""
    if not allows(REPLAN, old=replan.status, new=status):
        raise StatusStepRefused(status=replan.status, wanted=status)
    replan.status = status


@step
def _ask(
    replan: Replan,
    *,
    seed: int,
    seconds: int,
    now: datetime,
    number: int = 1,
    follows: ReplanRun | None = None,
) -> None:
    run = ReplanRun.objects.create(
        replan=replan,
        number=number,
        seed=seed,
        seconds=seconds,
        follows=follows,
        requested_at=now,
    )
    enqueue(SOLVE, run_id=run.pk)


def _movable(outages: Sequence[Outage], *, actor: Actor, now: datetime) -> list[Appointment]:
    hits = hits_of(broken_by(outages, actor=actor), actor=actor, now=now)
    movable = [hit.appointment for hit in hits if hit.movable]
    if not movable:
        raise NothingHit(hits=len(hits))
    if len(movable) > MAX_DISPLACED:
        raise TooManyHit(hits=len(movable), max_hits=MAX_DISPLACED)
    return movable


def _require_where_it_hits(replan: Replan, *, actor: Actor, now: datetime) -> None:
    hits = hits_of(broken_by(outages_of(replan), actor=actor), actor=actor, now=now)
    here = {hit.appointment.clinic_id for hit in hits if hit.movable}
    _require(actor, here | {*replan.clinic_ids})


def _require(actor: Actor, clinic_ids: Iterable[int | None]) -> None:
    for clinic_id in clinic_ids:
        actor.require_at(clinic_id, "replan.write")
