"""How likely it looks that a patient drops out: a sum of plain parts, to sort a list by. Pure.

Points are this service's own proposal, from no study; they predict nothing and decide nothing.
"""

from dataclasses import dataclass
from typing import Final

WEEK_DAYS: Final = 7
MOST_WEEKS: Final = 12
A_NO_SHOW: Final = 3
MOST_NO_SHOWS: Final = 4
AN_INVITATION: Final = 1
MOST_INVITATIONS: Final = 6


@dataclass(frozen=True, slots=True)
class RiskPart:
    """What one fact adds. `points` = `counted` times `each`; `value` may be more than counts."""

    name: str
    value: int
    counted: int
    each: int
    points: int


@dataclass(frozen=True, slots=True)
class DropOutRisk:
    """The sum and its parts."""

    points: int
    parts: tuple[RiskPart, ...]


def drop_out_risk(*, days_overdue: int, no_shows: int, unanswered: int) -> DropOutRisk:
    """One point for each whole week overdue, three for a no-show, one for a silent invitation."""
    weeks = max(0, days_overdue) // WEEK_DAYS
    parts = (
        _part("weeks_overdue", weeks, most=MOST_WEEKS, each=1),
        _part("no_shows", no_shows, most=MOST_NO_SHOWS, each=A_NO_SHOW),
        _part("unanswered_invitations", unanswered, most=MOST_INVITATIONS, each=AN_INVITATION),
    )
    return DropOutRisk(sum(part.points for part in parts), parts)


def _part(name: str, value: int, *, most: int, each: int) -> RiskPart:
    counted = min(value, most)
    return RiskPart(name, value, counted, each, counted * each)
