"""What a slot search is asked for, and the chain's policy on how to rank."""

from dataclasses import dataclass
from datetime import date, datetime, time
from enum import StrEnum

from core.spans import Span
from courses.science.errors import InvalidInput
from courses.slots.timeline import Timeline

ALL_WEEKDAYS = frozenset(range(1, 8))
MAX_CLINICS = 250
MAX_HORIZON_DAYS = 400
MAX_NEEDS = 24
MAX_SLOTS = 100
MAX_CHANGEOVER_MINUTES = 60


class BadRequest(InvalidInput):
    """A search that cannot be made; `field` names what to mend, `message` says how."""


class SlotRank(StrEnum):
    """In which order a search offers slots: by score, or by time."""

    BEST = "best"
    EARLIEST = "earliest"


@dataclass(frozen=True, slots=True)
class InkNeed:
    """What one visible part (a colour) of the tattoo needs from the laser.

    `wavelengths_nm` are alternatives, best first; the visit uses the best one its laser and
    handpieces emit. A `required` need must be met by every slot; others only raise the rank, by
    `share` (of the visible area, 0..1). Every slot meets at least one need. `key` is the
    caller's (a part's id, a colour).
    """

    key: str
    wavelengths_nm: tuple[int, ...]
    share: float = 1.0
    required: bool = True


@dataclass(frozen=True, slots=True)
class TimeWish:
    """Weekdays (ISO, 1 Monday) and a range of local wall time in which the patient can come.

    The whole time the patient is needed lies inside. `until` of 00:00 is the end of the day.
    """

    weekdays: frozenset[int] = ALL_WEEKDAYS
    since: time = time(0)
    until: time = time(0)


@dataclass(frozen=True, slots=True)
class SlotRequest:
    """One search. Dates and wishes are local to each clinic; instants are aware.

    `earliest_at`: nothing starts before it (now, plus any notice). `latest_at`: nothing ends
    after it (None: the end of the grid). `window_closes_on`: the date
    on which the healing window closes; nothing starts before that local day. `advised_on`: the
    day to be close to (None: the earliest possible). `wishes`: any of them may hold; none given
    means any time. `operator_ids`: only these people (None: anyone). `familiar_operator_ids`:
    who treated the patient before. `earliest_first`: in order of time instead of score, which
    then decides among starts at the same instant.
    """

    timeline: Timeline
    needs: tuple[InkNeed, ...]
    earliest_at: datetime
    window_closes_on: date | None = None
    advised_on: date | None = None
    patient_busy: tuple[Span, ...] = ()
    wishes: tuple[TimeWish, ...] = ()
    operator_ids: frozenset[int] | None = None
    familiar_operator_ids: frozenset[int] = frozenset()
    limit: int = 10
    latest_at: datetime | None = None
    earliest_first: bool = False


@dataclass(frozen=True, slots=True)
class SearchPolicy:
    """A chain's policy: weights of the score's parts, and what they mean.

    A part is 0..1; a slot's score is the weighted mean. `closeness` halves every
    `closeness_half_life_days` from the advised day. A gap shorter than `useful_gap_minutes` left
    beside a visit counts as useless. Starts lie on multiples of `start_step_minutes` of local
    wall time. At most `slots_per_day` slots are offered per local day while other days have any,
    `min_apart_minutes` apart at one clinic. A laser needs `changeover_minutes` before and after
    a use with other handpieces than this visit's.
    """

    closeness: float = 4.0
    fragmentation: float = 1.5
    continuity: float = 1.0
    preference: float = 2.0
    ink: float = 3.0
    closeness_half_life_days: float = 7.0
    useful_gap_minutes: int = 30
    start_step_minutes: int = 5
    slots_per_day: int = 2
    min_apart_minutes: int = 120
    changeover_minutes: int = 0


DEFAULT_POLICY = SearchPolicy()
