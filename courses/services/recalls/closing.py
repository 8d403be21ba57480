"""Windows close when their time has come; what is told then, the planner finds."""

from datetime import datetime

from core.db import command
from courses import locks
from courses.services.healing import window_close_if_due
from courses.vocabulary import WindowState


@command
def window_close(*, window_id: int, now: datetime) -> bool:
    """Close a window whose time has come; whether it was.

    Not when somebody has it, it was moved, or is held by what is known.
    """
    claimed = locks.lock_due_window(pk=window_id, now=now)
    if claimed is None:
        return False
    return window_close_if_due(window_id=claimed.pk, now=now).state == WindowState.CLOSED
