"""What the beat wakes, and re-plans. Each finds its own work in the database and may run twice."""

from celery import shared_task
from django.utils import timezone

from courses.services.booking import holds_expire
from courses.services.erasure import erasures_carry_out
from courses.services.gaps import gaps_advance
from courses.services.recalls import ticks
from courses.services.replans import run_solve, runs_wake
from courses.services.retention import retention_tick

# Longer than any re-plan works (MAX_SECONDS); shorter than the broker's visibility timeout.
REPLAN_SOFT_LIMIT = 240
REPLAN_LIMIT = 270


@shared_task(name="courses.open_due_recalls")
def open_due_recalls() -> None:
    """Close windows whose time has come, and plan what patients are to be told."""
    ticks.recalls_open_due(now=timezone.now())


@shared_task(name="courses.send_due_messages")
def send_due_messages() -> None:
    """Send the messages that are due."""
    ticks.messages_send_due(clock=timezone.now)


@shared_task(name="courses.cancel_expired_holds")
def cancel_expired_holds() -> None:
    """Cancel the holds whose time is over."""
    holds_expire(now=timezone.now())


@shared_task(name="courses.advance_gap_offers")
def advance_gap_offers() -> None:
    """Hold gaps for the next in turn where nobody answered in time."""
    gaps_advance(now=timezone.now())


@shared_task(
    name="courses.solve_replan", soft_time_limit=REPLAN_SOFT_LIMIT, time_limit=REPLAN_LIMIT
)
def solve_replan(run_id: int) -> None:
    """Look for new slots for the visits of one run, if nobody else does."""
    run_solve(run_id=run_id, clock=timezone.now)


@shared_task(name="courses.wake_replan_runs")
def wake_replan_runs() -> None:
    """Send for workers for the runs that nobody has, or whose worker is gone."""
    runs_wake(now=timezone.now())


@shared_task(name="courses.carry_out_erasures")
def carry_out_erasures() -> None:
    """Write over the personal data of patients whose erasure was asked for."""
    erasures_carry_out(now=timezone.now())


@shared_task(name="courses.forget_by_policy")
def forget_by_policy() -> None:
    """Forget the traces that the chains' policies keep no longer."""
    retention_tick(now=timezone.now())
