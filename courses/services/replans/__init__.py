"""Re-plans: asked for, solved by a worker, looked at, and applied whole. Import from here."""

from courses.services.replans.applying import replan_apply
from courses.services.replans.asking import (
    DEFAULT_SECONDS,
    MAX_SECONDS,
    Order,
    replan_cancel,
    replan_create,
    replan_solve_again,
)
from courses.services.replans.claims import Claim, run_claim, run_settle
from courses.services.replans.solving import run_solve, runs_solve_due, runs_wake
from courses.services.replans.unplaced import replan_settle

__all__ = [
    "DEFAULT_SECONDS",
    "MAX_SECONDS",
    "Claim",
    "Order",
    "replan_apply",
    "replan_cancel",
    "replan_create",
    "replan_settle",
    "replan_solve_again",
    "run_claim",
    "run_settle",
    "run_solve",
    "runs_solve_due",
    "runs_wake",
]
