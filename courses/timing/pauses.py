"""How often a message is tried, and how long to wait in between."""

from datetime import timedelta
from typing import Final

MAX_ATTEMPTS: Final = 5
MAX_CALLS: Final = 3

FIRST_PAUSE: Final = timedelta(minutes=1)
GROWTH: Final = 4
SPREAD: Final = 0.5
LONGEST_PAUSE: Final = timedelta(hours=6)


def pause_after(
    attempt: int,
    *,
    jitter: float,
    asked: timedelta | None = None,
    first: timedelta = FIRST_PAUSE,
) -> timedelta:
    """The pause after the failed attempt number `attempt` (from 1): 1, 4, 16, 64 times `first`.

    `jitter` from 0 to 1 spreads it by half either way, so that many failures at once do not come
    back at once. `asked` is what the provider asked for: the pause is not shorter, and neither
    is longer than six hours.
    """
    plain: timedelta = first * GROWTH ** (attempt - 1)
    spread = plain * (1 - SPREAD + 2 * SPREAD * jitter)
    return min(max(spread, asked or timedelta(0)), LONGEST_PAUSE)
