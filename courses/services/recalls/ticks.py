"""The loops that a tick wakes. Each may run any number of times, anywhere, at once."""

import logging
import time
from collections import Counter
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any, Final

from core.errors import DomainError
from courses.channels import Senders, configured_senders
from courses.selectors.recalls.candidates import (
    appointments_to_remind,
    due_windows,
    open_calls,
    recalls_on_hold,
    recalls_to_resume,
)
from courses.selectors.recalls.missed import missed_courses, running_courses
from courses.selectors.recalls.verdict import STALE, Unwanted, still_wanted, verdict
from courses.services.recalls.claims import message_claim
from courses.services.recalls.desk import call_recheck
from courses.services.recalls.planning import (
    recall_end_unwanted,
    recall_plan_missed,
    recall_resume,
    reminder_plan,
    window_close,
)
from courses.services.recalls.sending import message_deliver

logger = logging.getLogger(__name__)

BATCH: Final = 500
# Shorter than the task's time limits; the next tick goes on.
SECONDS: Final = 60.0

Tally = dict[str, int]


def recalls_open_due(*, now: datetime) -> Tally:
    """Close the windows whose time has come and plan what is to be told; how many of each.

    Each row is a transaction of its own. One that cannot be done (busy, a wrong policy) is
    logged and left to the next tick; the others do not wait for it.
    """
    done = {
        "closed": _each(window_close, "window_id", due_windows(now=now, limit=BATCH), now=now),
        "reminders": _each(
            reminder_plan,
            "appointment_id",
            appointments_to_remind(now=now, limit=BATCH),
            now=now,
        ),
        "resumed": _each(recall_resume, "recall_id", recalls_to_resume(limit=BATCH), now=now),
        "calls_dropped": _each(call_recheck, "message_id", _stale_calls(now=now), now=now),
    }
    return _told("recalls", done)


def recalls_plan_missed(*, now: datetime) -> Tally:
    """Invite those whose skin is ready and whom nobody told since; end what waits for nothing.

    Goes through all running courses and all recalls on hold.
    """
    planned, after = 0, 0
    while courses := running_courses(after=after):
        after = courses[-1]
        missed = missed_courses(courses, now=now).values_list("pk", flat=True)
        planned += _each(recall_plan_missed, "course_id", list(missed), now=now)
    return _told("missed recalls", {"planned": planned, "ended": _end_unwanted(now=now)})


def messages_send_due(
    *,
    clock: Callable[[], datetime],
    senders: Senders | None = None,
    seconds: float = SECONDS,
) -> Tally:
    """Send what is due until nothing is, or for so many seconds; outcomes by name.

    One message at a time: a worker that dies holds up one message only, and only that one has
    lost an attempt.
    """
    ways = configured_senders() if senders is None else senders
    outcomes: Counter[str] = Counter()
    give_up = time.monotonic() + seconds
    while time.monotonic() < give_up and (claim := message_claim(now=clock())):
        outcome = message_deliver(claim=claim, senders=ways, now=clock())
        outcomes[type(outcome).__name__.lower() if outcome else "lost"] += 1
    return _told("messages", dict(outcomes))


def _each(do: Callable[..., Any], name: str, pks: Iterable[int], *, now: datetime) -> int:
    done = 0
    for pk in pks:
        try:
            done += bool(do(**{name: pk}, now=now))
        except DomainError as refusal:
            logger.warning("%s %s is left to the next tick: %s", name, pk, refusal.code)
    return done


def _end_unwanted(*, now: datetime) -> int:
    ended, after = 0, 0
    while waiting := recalls_on_hold(after=after, limit=BATCH):
        after = waiting[-1].pk
        unwanted = [
            recall.pk for recall in waiting if isinstance(still_wanted(recall, now=now), Unwanted)
        ]
        ended += _each(recall_end_unwanted, "recall_id", unwanted, now=now)
    return ended


def _stale_calls(*, now: datetime) -> list[int]:
    return [
        message.pk
        for message in open_calls(limit=BATCH)
        if isinstance(verdict(message, now=now), STALE)
    ]


def _told(what: str, done: Tally) -> Tally:
    some = {name: number for name, number in done.items() if number}
    if some:
        logger.info("%s: %s", what, ", ".join(f"{name} {n}" for name, n in some.items()))
    return done
