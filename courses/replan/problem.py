"""What a re-plan is asked: who lost a slot, what the diary still offers, and what counts.

The rows of the candidates are free of everything that stays as it is; the displaced appointments
are already taken out of them. What broke the day (a lock-out, leave, a closure) is in them.
"""

from dataclasses import dataclass, field
from datetime import date, datetime

from courses.slots import ClinicCandidates, Grid, SearchPolicy, SlotRequest


@dataclass(frozen=True, slots=True)
class OldSlot:
    """Where a displaced appointment was: when it began (aware), at which clinic, with whom."""

    start: datetime
    clinic_id: int
    operator_id: int


@dataclass(frozen=True, slots=True)
class Follows:
    """The session comes at least `days` local days after that of the displaced `key`."""

    key: int
    days: int


@dataclass(frozen=True, slots=True)
class Displaced:
    """One appointment that needs a new slot; `key` is its primary key.

    `request` says what it needs, from when on, and when the patient can come; its `limit` is not
    used. `clinic_ids` are the clinics the patient accepts. `latest_on` is the last local day on
    which it may be (None: any), for instance because the next session is booked. `follows` binds
    it to earlier sessions of the same course that are displaced as well.
    """

    key: int
    patient_id: int
    request: SlotRequest
    clinic_ids: tuple[int, ...]
    old: OldSlot
    latest_on: date | None = None
    follows: tuple[Follows, ...] = ()


@dataclass(frozen=True, slots=True)
class ReplanPolicy:
    """What a deviation costs, in whole points; a chain's policy.

    Placing one more appointment always counts more than any points. `advised_day`: each day away
    from the advised one. `old_day`: each day away from the old one. `old_half_hour`: each half
    hour of local wall time away from the old one. `other_clinic`: another than the old one.
    `new_operator`: someone who is neither familiar nor had the old slot. `ink`: all of the area
    unserved. Fairness: `long_wait_day` for each day after the old one beyond `wait_days`, so that
    a long wait of one person costs more than short ones of several; and `worst_delay` for each
    day after the old one of whoever waits longest. Starts lie on multiples of
    `start_step_minutes` of local wall time. A laser keeps `changeover_minutes` free between uses
    with different handpieces; between two displaced appointments it does so wherever a laser has
    several handpieces, whichever they use.
    """

    advised_day: int = 10
    old_day: int = 5
    old_half_hour: int = 1
    other_clinic: int = 30
    new_operator: int = 8
    ink: int = 60
    long_wait_day: int = 10
    wait_days: int = 7
    worst_delay: int = 2
    start_step_minutes: int = 15
    changeover_minutes: int = 0

    def search(self) -> SearchPolicy:
        """What of it a slot search must know."""
        return SearchPolicy(
            start_step_minutes=self.start_step_minutes, changeover_minutes=self.changeover_minutes
        )


@dataclass(frozen=True, slots=True)
class ReplanProblem:
    """Everything a re-plan works on. Clinics, and keys of displaced appointments, are distinct."""

    grid: Grid
    clinics: tuple[ClinicCandidates, ...]
    displaced: tuple[Displaced, ...]
    policy: ReplanPolicy = field(default_factory=ReplanPolicy)
