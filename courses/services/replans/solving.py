"""A claimed run is solved: the diary is read, the solver works, what it found is proposed."""

import logging
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from core.errors import DomainError
from core.jobs import enqueue
from courses.models import Appointment, Replan, ReplanRun
from courses.replan import Effort, Placement, ReplanPolicy, replan
from courses.science.errors import InvalidInput
from courses.selectors.replanning.displaced import Wish
from courses.selectors.replanning.outages import broken_by, hits_of, outages_of
from courses.selectors.replanning.problem import Horizon, Posed, problem_of
from courses.selectors.replanning.runs import runs_to_solve
from courses.services.replans.as_json import placement_of
from courses.services.replans.asking import SOLVE
from courses.services.replans.claims import Claim, Failed, Solved, run_claim, run_settle
from courses.services.replans.watching import BEAT_SECONDS, RunLost, Watch
from courses.slots import policy_of
from courses.vocabulary import ReplanRowStatus

logger = logging.getLogger(__name__)

Clock = Callable[[], datetime]


def run_solve(*, run_id: int, clock: Clock, beat_seconds: float | None = BEAT_SECONDS) -> bool:
    """Claim a run and solve it; whether it was written.

    Not a command: nothing is locked while the solver works. Any number of workers may try.
    """
    claim = run_claim(run_id=run_id, now=clock())
    if claim is None:
        return False
    with Watch(claim, clock=clock, every=beat_seconds) as watch:
        try:
            outcome = _outcome(claim, watch, now=clock())
        except RunLost:
            outcome = None
    if outcome is None or not run_settle(
        claim=claim, outcome=outcome, progress=watch.progress, now=clock()
    ):
        logger.info("run %s: cancelled, or lost before it was settled", claim.run_id)
        return False
    return True


def runs_solve_due(*, clock: Clock, beat_seconds: float | None = BEAT_SECONDS) -> int:
    """Solve all runs that wait, one after the other; how many."""
    due = runs_to_solve(now=clock())
    return sum(run_solve(run_id=pk, clock=clock, beat_seconds=beat_seconds) for pk in due)


def runs_wake(*, now: datetime) -> int:
    """Send for a worker for every run that nobody has, or whose worker is gone; how many."""
    due = runs_to_solve(now=now)
    for run_id in due:
        enqueue(SOLVE, run_id=run_id)
    return len(due)


@dataclass(frozen=True, slots=True)
class _Task:
    """What a run works on, as the diary stands."""

    appointments: Sequence[Appointment]
    posed: Posed
    policy: ReplanPolicy
    former: Sequence[Placement]


def _outcome(claim: Claim, watch: Watch, *, now: datetime) -> Solved | Failed:
    if claim.spent:
        return Failed("gave_up")
    run = ReplanRun.objects.select_related("replan__chain").get(pk=claim.run_id)
    try:
        task = _task(run, now=now)
        answer = None
        if task.posed.problem.displaced:
            answer = replan(
                task.posed.problem,
                effort=Effort(seed=run.seed, seconds=run.seconds),
                former=task.former,
                on_progress=watch.note,
            )
    except InvalidInput as problem:
        return Failed(f"{problem.field}: {problem.message}"[:400])
    except DomainError as refusal:
        return Failed(f"{refusal.code}: {refusal.detail}"[:400])
    return Solved(task.appointments, answer, task.posed.barred, asdict(task.policy))


def _task(run: ReplanRun, *, now: datetime) -> _Task:
    asked: Replan = run.replan
    broken = broken_by(outages_of(asked), actor=asked)
    hits = hits_of(broken, actor=asked, now=now)
    appointments = [hit.appointment for hit in hits if hit.movable]
    policy = policy_for(asked)
    posed = problem_of(
        appointments,
        broken=broken,
        wish=Wish(tuple(asked.clinic_ids), asked.notice_hours),
        horizon=Horizon(asked.days),
        policy=policy,
        actor=asked,
        now=now,
    )
    return _Task(appointments, posed, policy, _former(run))


def policy_for(asked: Replan) -> ReplanPolicy:
    """The points as given, defaults for the others, the chain's changeover. Raises BadRequest."""
    minutes = policy_of(asked.chain.search_policy).changeover_minutes
    return ReplanPolicy(**asked.policy, changeover_minutes=minutes)


def _former(run: ReplanRun) -> list[Placement]:
    if run.follows is None:
        return []
    return [placement_of(row) for row in run.follows.rows.filter(status=ReplanRowStatus.PLACED)]
