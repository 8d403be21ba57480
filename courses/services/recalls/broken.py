"""What cannot be done for one course or message: told without what it is about, and set aside."""

import logging
import random
import traceback
from datetime import datetime
from pathlib import Path
from typing import Final

from django.db import InterfaceError, OperationalError

from core.db import command
from courses import locks
from courses.timing import pause_after

logger = logging.getLogger(__name__)

# Of the database or the moment, not of the row at hand: whoever asked comes again.
PASSING: Final = (OperationalError, InterfaceError)
MOST_FAILURES: Final = 5
_OURS: Final = Path(__file__).resolve().parents[3]


class PlanBroken(Exception):
    """The plans of these courses cannot be made together; `__cause__` says why."""

    def __init__(self, courses: list[int]) -> None:
        super().__init__(courses)
        self.courses = courses


@command
def plan_set_aside(*, course_id: int, error: BaseException, now: datetime) -> datetime:
    """Look at the course again later, and later each time; when.

    A change of what its plan depends on is looked at without delay, as ever.
    """
    again_at = now
    for plan in locks.lock_plan(course_id=course_id):
        plan.failures = min(plan.failures + 1, MOST_FAILURES)
        again_at = now + pause_after(plan.failures, jitter=random.random())  # noqa: S311
        plan.look_at = again_at
        plan.save(update_fields=["failures", "look_at"])
        logger.error(
            "course %s cannot be planned: %s; again at %s",
            course_id,
            cause_of(error),
            again_at.isoformat(timespec="seconds"),
        )
    return again_at


def cause_of(error: BaseException) -> str:
    """The kind of an error and the last place of ours that it passed.

    Without its text, which can quote what was being read or written.
    """
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if _OURS in Path(frame.filename).parents] or frames
    at = f" at {Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else ""
    return f"{type(error).__name__}{at}"
