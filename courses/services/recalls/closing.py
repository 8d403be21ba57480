"""Windows close when their time has come; what is told then, the planner finds."""

import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db import DatabaseError, connection

from core.db import command, step
from core.errors import Busy, DomainError
from courses import locks
from courses.models import HealingWindow, HealingWindowVersion
from courses.selectors.healing_record import WindowRecord, window_records
from courses.services.healing import window_close_if_due, window_closing
from courses.services.recalls.broken import PASSING, cause_of
from courses.vocabulary import WindowState

logger = logging.getLogger(__name__)

# Their courses are locked meanwhile, and the front desk waits for those.
BATCH: Final = 100
SECONDS: Final = 60.0

WINDOWS: Final = """
    UPDATE courses_healingwindow AS heals
    SET state = aim.state, earliest_on = aim.earliest_on, advised_on = aim.advised_on,
        closes_at = aim.closes_at, number = aim.number,
        version = heals.version + 1, updated_at = %s
    FROM unnest(
        %s::bigint[], %s::text[], %s::date[], %s::date[], %s::timestamptz[], %s::int[]
    ) AS aim (id, state, earliest_on, advised_on, closes_at, number)
    WHERE heals.id = aim.id
"""


Place = tuple[datetime, int]
"""When a window closes, and its key: the order in which they are taken."""


class ClosingBroken(Exception):
    """These windows cannot be closed together; `__cause__` says why."""

    def __init__(self, places: list[Place]) -> None:
        super().__init__(places)
        self.places = places


@dataclass(frozen=True, slots=True)
class Closed:
    """How many were closed, and the last that was looked at; None when there was none."""

    number: int
    last: Place | None


def windows_close(*, now: datetime, seconds: float = SECONDS) -> int:
    """Close the windows whose time has come, a batch in a transaction; how many.

    One that cannot be closed (a wrong policy) is logged and left to the next tick; the others do
    not wait for it.
    """
    give_up, done, after = time.monotonic() + seconds, 0, None
    while time.monotonic() < give_up:
        try:
            closed = windows_close_batch(now=now, after=after)
        except ClosingBroken as broken:
            closed = _one_by_one(broken.places, now=now)
        except Busy:
            logger.warning("somebody is at the windows; the next tick goes on")
            break
        done += closed.number
        if closed.last is None:
            break
        after = closed.last
    return done


@command
def windows_close_batch(*, now: datetime, after: Place | None = None, limit: int = BATCH) -> Closed:
    """Close the next windows after that one whose time has come.

    Not those that somebody has, that were moved, or are held by what is known. Raises
    ClosingBroken.
    """
    windows = locks.lock_due_windows(now=now, after=after, limit=limit)
    if not windows:
        return Closed(0, None)
    # As they were found: closing may move the day.
    places = [_place(window) for window in windows]
    try:
        return Closed(_close_each(windows, now=now), places[-1])
    except PASSING:
        raise
    except Exception as error:
        raise ClosingBroken(places) from error


@command
def window_close(*, window_id: int, now: datetime) -> bool:
    """Close a window whose time has come; whether it was.

    Not when somebody has it, it was moved, or is held by what is known.
    """
    claimed = locks.lock_due_window(pk=window_id, now=now)
    if claimed is None:
        return False
    return window_close_if_due(window_id=claimed.pk, now=now).state == WindowState.CLOSED


@step
def _close_each(windows: Sequence[HealingWindow], *, now: datetime) -> int:
    records = window_records(windows)
    versions = {window.pk: _looked_at(window, records[window.pk], now=now) for window in windows}
    changed = [window for window in windows if versions[window.pk]]
    _write(changed, [one for window in changed for one in versions[window.pk]], now=now)
    return sum(window.state == WindowState.CLOSED for window in changed)


def _looked_at(
    window: HealingWindow, record: WindowRecord, *, now: datetime
) -> list[HealingWindowVersion]:
    try:
        return window_closing(window, record, now=now)
    except DatabaseError:
        raise
    except Exception as error:  # noqa: BLE001
        _left(window.pk, error)
        return []


@step
def _write(
    windows: Sequence[HealingWindow], versions: Sequence[HealingWindowVersion], *, now: datetime
) -> None:
    if not windows:
        return
    rows = sorted(
        (one.pk, one.state, one.earliest_on, one.advised_on, one.closes_at, one.number)
        for one in windows
    )
    with connection.cursor() as cursor:
        cursor.execute(WINDOWS, [now, *(list(column) for column in zip(*rows, strict=True))])
    HealingWindowVersion.objects.bulk_create(versions)


def _one_by_one(due: Sequence[Place], *, now: datetime) -> Closed:
    done = 0
    for _, pk in due:
        try:
            done += window_close(window_id=pk, now=now)
        except PASSING:
            raise
        except Exception as error:  # noqa: BLE001
            _left(pk, error)
    return Closed(done, due[-1] if due else None)


def _left(pk: int, error: Exception) -> None:
    why = error.code if isinstance(error, DomainError) else cause_of(error)
    logger.warning("window %s is left to the next tick: %s", pk, why)


def _place(window: HealingWindow) -> Place:
    if window.closes_at is None:
        raise ValueError("a window that is due has a time; the database says so")
    return window.closes_at, window.pk
