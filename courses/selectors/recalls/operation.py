"""Whether messages leave in time: numbers of all chains, read without any chain's name."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from core.prepared import Prepared

GAUGES: Final = Prepared("""
    SELECT due, late, oldest, calls, unreachable, sent_day, failed_day, to_plan, plans_failing,
        to_close
    FROM courses_message_gauges(%(now)s::timestamptz)
""")


@dataclass(frozen=True, slots=True)
class MessageGauges:
    """How messages stand. `oldest_s`: how long the one that is due longest has waited, seconds.

    `late` have waited for five minutes; `sent_day` and `failed_day` are of the last 24 hours.
    `plans_failing`: courses that cannot be planned; `to_close`: windows whose time has come.
    """

    due: int
    late: int
    oldest_s: float
    calls: int
    unreachable: int
    sent_day: int
    failed_day: int
    to_plan: int
    plans_failing: int
    to_close: int


def message_gauges(*, now: datetime) -> MessageGauges:
    """How messages stand now, over all chains. One query, which costs what is due or recent."""
    [(due, late, oldest, *others)] = GAUGES.rows(now=now)
    waited = max(0.0, (now - oldest).total_seconds()) if oldest else 0.0
    return MessageGauges(due, late, waited, *others)


def message_lag_s(*, now: datetime) -> float:
    """How long the message that is due longest has waited, in seconds; 0 when none waits."""
    return message_gauges(now=now).oldest_s
