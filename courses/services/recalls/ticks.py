"""The loops that a tick wakes. Each may run any number of times, anywhere, at once."""

import logging
import time
from collections import Counter
from collections.abc import Callable
from datetime import datetime
from typing import Final

from courses.channels import Senders, configured_senders
from courses.selectors.recalls.closed_days import ClosedDaysOfClinics
from courses.services.recalls.broken import PASSING, cause_of
from courses.services.recalls.claims import Claim, message_claim
from courses.services.recalls.closing import windows_close
from courses.services.recalls.planner import recalls_plan
from courses.services.recalls.sending import message_deliver

logger = logging.getLogger(__name__)

# Shorter than the task's time limits; the next tick goes on.
SECONDS: Final = 60.0

Tally = dict[str, int]


def recalls_open_due(*, now: datetime) -> Tally:
    """Close the windows whose time has come and plan what is to be told; how many of each.

    What cannot be closed or planned is logged and left to a later tick; the others do not wait
    for it.
    """
    began = time.monotonic()
    closed = windows_close(now=now, seconds=SECONDS / 2)
    left = SECONDS - (time.monotonic() - began)
    done = {"closed": closed, "planned": recalls_plan(now=now, seconds=left)}
    return _told("recalls", done)


def messages_send_due(
    *,
    clock: Callable[[], datetime],
    senders: Senders | None = None,
    seconds: float = SECONDS,
) -> Tally:
    """Send what is due until nothing is, or for so many seconds; outcomes by name.

    One message at a time: a worker that dies holds up one message only, and only that one has
    lost an attempt. So has one that fails in a way nobody thought of: it comes again when its
    lease is over.
    """
    ways = configured_senders() if senders is None else senders
    outcomes: Counter[str] = Counter()
    closed = ClosedDaysOfClinics(now=clock())
    give_up = time.monotonic() + seconds
    while time.monotonic() < give_up and (claim := message_claim(now=clock())):
        outcomes[_delivered(claim, senders=ways, now=clock(), closed=closed)] += 1
    return _told("messages", dict(outcomes))


def _delivered(
    claim: Claim, *, senders: Senders, now: datetime, closed: ClosedDaysOfClinics
) -> str:
    try:
        outcome = message_deliver(claim=claim, senders=senders, now=now, closed=closed)
    except PASSING:
        raise
    except Exception as error:  # noqa: BLE001
        logger.error(
            "message %s: attempt %s broke: %s", claim.message_id, claim.attempt, cause_of(error)
        )
        return "broken"
    return type(outcome).__name__.lower() if outcome else "lost"


def _told(what: str, done: Tally) -> Tally:
    some = {name: number for name, number in done.items() if number}
    if some:
        logger.info("%s: %s", what, ", ".join(f"{name} {n}" for name, n in some.items()))
    return done
