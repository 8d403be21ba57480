"""When to tell a patient what: cadence, right hour, due times, pauses between attempts. Pure."""

from courses.timing.cadence import PURPOSE, Cadence, CadenceStep
from courses.timing.documents import BadCadence, cadence_of, document_of
from courses.timing.due import call_again_at, step_due
from courses.timing.outlook import (
    CourseFacts,
    Outlook,
    PauseFacts,
    Place,
    SessionFacts,
    VisitFacts,
    WantedStep,
    WindowFacts,
    open_days,
    outlook,
    visit_occasion,
)
from courses.timing.pauses import MAX_ATTEMPTS, MAX_CALLS, pause_after
from courses.timing.quiet import QuietHours, out_of_quiet, quiet_until
from courses.timing.right_hour import OpenDays, out_of_closed, right_hour

__all__ = [
    "MAX_ATTEMPTS",
    "MAX_CALLS",
    "PURPOSE",
    "BadCadence",
    "Cadence",
    "CadenceStep",
    "CourseFacts",
    "OpenDays",
    "Outlook",
    "PauseFacts",
    "Place",
    "QuietHours",
    "SessionFacts",
    "VisitFacts",
    "WantedStep",
    "WindowFacts",
    "cadence_of",
    "call_again_at",
    "document_of",
    "open_days",
    "out_of_closed",
    "out_of_quiet",
    "outlook",
    "pause_after",
    "quiet_until",
    "right_hour",
    "step_due",
    "visit_occasion",
]
