"""Rows that a tick has something to do with. Reading them costs what is due, not what there is."""

from datetime import datetime

from courses.models import HealingWindow
from courses.vocabulary import WindowState


def due_windows(*, now: datetime, limit: int) -> list[int]:
    """Open windows whose time has come, longest due first."""
    due = HealingWindow.objects.filter(state=WindowState.OPEN, closes_at__lte=now)
    return list(due.order_by("closes_at", "pk").values_list("pk", flat=True)[:limit])
