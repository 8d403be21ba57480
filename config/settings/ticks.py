"""The beat's plan: interval ticks in UTC that wake a loop over rows with due times."""

from datetime import timedelta
from typing import Any

from config.settings import environment


def _tick(task: str, *, seconds: int) -> dict[str, Any]:
    # A tick nobody took in time is dropped: the next one does the same work.
    return {
        "task": task,
        "schedule": timedelta(seconds=seconds),
        "options": {"expires": 2 * seconds},
    }


def beat_schedule(*, message_seconds: int, recall_seconds: int) -> dict[str, Any]:
    """Celery's beat schedule; the two intervals (s) can be set from the environment."""
    return {
        "send-due-messages": _tick(
            "courses.send_due_messages",
            seconds=environment.number("FALLOW_MESSAGE_TICK_SECONDS", message_seconds),
        ),
        "open-due-recalls": _tick(
            "courses.open_due_recalls",
            seconds=environment.number("FALLOW_RECALL_TICK_SECONDS", recall_seconds),
        ),
        "prune-idempotency": _tick("core.prune_idempotency", seconds=3600),
        "prune-sign-ins": _tick("clinics.prune_sign_ins", seconds=3600),
        "cancel-expired-holds": _tick("courses.cancel_expired_holds", seconds=60),
        "advance-gap-offers": _tick("courses.advance_gap_offers", seconds=30),
        "wake-replan-runs": _tick("courses.wake_replan_runs", seconds=15),
        "carry-out-erasures": _tick("courses.carry_out_erasures", seconds=60),
        "forget-by-policy": _tick("courses.forget_by_policy", seconds=3600),
        "reconcile-counters": _tick("devices.reconcile_counters", seconds=3600),
        "note-ledger-heads": _tick("devices.note_ledger_heads", seconds=3600),
        "enforce-services": _tick("devices.enforce_services", seconds=600),
    }
