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
HEALTH: Final = Prepared("""
    SELECT oldest, plans_failing FROM courses_message_health(%(now)s::timestamptz)
""")


@dataclass(frozen=True, slots=True)
class MessageHealth:
    """Whether messages leave. `plans_failing` are counted up to 1 000."""

    oldest_s: float
    plans_failing: int


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
    return MessageGauges(due, late, _waited(oldest, now=now), *others)


def message_health(*, now: datetime) -> MessageHealth:
    """Whether messages leave, over all chains. One query, whose cost no number of rows changes."""
    [(oldest, failing)] = HEALTH.rows(now=now)
    return MessageHealth(_waited(oldest, now=now), failing)


def message_lag_s(*, now: datetime) -> float:
    """How long the message that is due longest has waited, in seconds; 0 when none waits."""
    return message_health(now=now).oldest_s


def _waited(oldest: datetime | None, *, now: datetime) -> float:
    return max(0.0, (now - oldest).total_seconds()) if oldest else 0.0
