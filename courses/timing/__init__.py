"""When to tell a patient something: quiet hours, due times and pauses between attempts. Pure."""

from courses.timing.due import REMIND_DAYS_BEFORE, call_again_at, invitation_due, reminder_due
from courses.timing.pauses import MAX_ATTEMPTS, MAX_CALLS, pause_after
from courses.timing.quiet import (
    NIGHT_END,
    NIGHT_START,
    QuietHours,
    out_of_quiet,
    quiet_until,
)

__all__ = [
    "MAX_ATTEMPTS",
    "MAX_CALLS",
    "NIGHT_END",
    "NIGHT_START",
    "REMIND_DAYS_BEFORE",
    "QuietHours",
    "call_again_at",
    "invitation_due",
    "out_of_quiet",
    "pause_after",
    "quiet_until",
    "reminder_due",
]
