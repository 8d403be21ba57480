"""Exact intervals for a share of cases."""

from dataclasses import dataclass
from functools import lru_cache

from scipy.stats import beta

from courses.science.errors import InvalidInput


@dataclass(frozen=True, slots=True)
class Share:
    """`events` of `cases`, with an exact interval of `level`; rate and ends are fractions.

    Without cases the rate stands at 0 and the interval runs over the whole range.
    """

    events: int
    cases: int
    rate: float
    low: float
    high: float
    level: float = 0.95


@lru_cache(maxsize=65_536)
def share_of(events: int, *, cases: int, level: float = 0.95) -> Share:
    """The share with its Clopper-Pearson interval (Biometrika 1934;26:404-413).

    Raises InvalidInput unless 0 <= events <= cases and 0 < level < 1.
    """
    if not 0 <= events <= cases:
        raise InvalidInput(
            field="events",
            rule="events-within-cases",
            message=f"{events} events of {cases} cases is not possible.",
        )
    if not 0 < level < 1:
        raise InvalidInput(
            field="level", rule="level-range", message="A level lies between 0 and 1."
        )
    tail = (1 - level) / 2
    low = float(beta.ppf(tail, events, cases - events + 1)) if events else 0.0
    high = float(beta.ppf(1 - tail, events + 1, cases - events)) if events < cases else 1.0
    return Share(
        events=events,
        cases=cases,
        rate=events / cases if cases else 0.0,
        low=low,
        high=high,
        level=level,
    )
