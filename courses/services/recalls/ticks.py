"""The loops that a tick wakes. Each may run any number of times, anywhere, at once."""

import logging
import time
from collections import Counter
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any, Final

from core.errors import DomainError
from courses.channels import Senders, configured_senders
from courses.selectors.recalls.candidates import due_windows
from courses.selectors.recalls.closed_days import ClosedDaysOfClinics
from courses.services.recalls.claims import message_claim
from courses.services.recalls.closing import window_close
from courses.services.recalls.planner import recalls_plan
from courses.services.recalls.sending import message_deliver

logger = logging.getLogger(__name__)

BATCH: Final = 500
# Shorter than the task's time limits; the next tick goes on.
SECONDS: Final = 60.0

Tally = dict[str, int]


def recalls_open_due(*, now: datetime) -> Tally:
    """Close the windows whose time has come and plan what is to be told; how many of each.

    Each window is a transaction of its own. One that cannot be closed (busy, a wrong policy) is
    logged and left to the next tick; the others do not wait for it.
    """
    done = {
        "closed": _each(window_close, "window_id", due_windows(now=now, limit=BATCH), now=now),
        "planned": recalls_plan(now=now, seconds=SECONDS),
    }
    return _told("recalls", done)


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
    closed = ClosedDaysOfClinics(now=clock())
    give_up = time.monotonic() + seconds
    while time.monotonic() < give_up and (claim := message_claim(now=clock())):
        outcome = message_deliver(claim=claim, senders=ways, now=clock(), closed=closed)
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


def _told(what: str, done: Tally) -> Tally:
    some = {name: number for name, number in done.items() if number}
    if some:
        logger.info("%s: %s", what, ", ".join(f"{name} {n}" for name, n in some.items()))
    return done
