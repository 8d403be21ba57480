"""What a re-plan answers: new places, who has none and why, and how good the plan is proven."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from courses.science.basis import Basis, Kind
from courses.slots import Reason, Served

REPLAN_BASIS = (
    Basis(
        id="replan",
        version="1",
        source=(
            "CP-SAT over all slots of all displaced appointments together: as many placed as"
            " possible, then fewest points; points are the chain's policy"
        ),
        kind=Kind.PROPOSAL,
    ),
)


class Status(StrEnum):
    """How good the plan is proven.

    Optimal: no plan places more, and none that places as many has fewer points. Feasible: every
    hard condition holds, and `gap` says how much better another plan could be at most.
    """

    OPTIMAL = "optimal"
    FEASIBLE = "feasible"


class PointName(StrEnum):
    """What points of a placement are for."""

    ADVISED_DAY = "advised_day"
    OLD_DAY = "old_day"
    OLD_HOUR = "old_half_hour"
    LONG_WAIT = "long_wait_day"
    CLINIC = "other_clinic"
    OPERATOR = "new_operator"
    INK = "ink"


@dataclass(frozen=True, slots=True)
class PointPart:
    """Some of a placement's points, and what for."""

    name: PointName
    points: int


@dataclass(frozen=True, slots=True)
class Placement:
    """A new slot: when (half-open, UTC), where, with whom and what.

    Days are signed and local to the new clinic; after is positive. `parts` add up to `points`;
    the share of the worst delay is not in them.
    """

    key: int
    start: datetime
    end: datetime
    clinic_id: int
    room_id: int
    operator_id: int
    laser_id: int
    handpiece_ids: tuple[int, ...]
    wavelengths_nm: tuple[int, ...]
    served: tuple[Served, ...]
    left_out: tuple[str, ...]
    days_from_advised: int
    days_from_old: int
    points: int
    parts: tuple[PointPart, ...]


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A displaced appointment without a new slot, and why."""

    key: int
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class Statistics:
    """What the plan took. Seconds are wall time; deterministic seconds are the solver's own.

    `cut_short`: the clock ended some step, so that another run may end elsewhere.
    """

    starts: int = 0
    price_rounds: int = 0
    neighbourhoods: int = 0
    solves: int = 0
    largest_model: int = 0
    branches: int = 0
    conflicts: int = 0
    deterministic_seconds: float = 0.0
    seconds: float = 0.0
    greedy_unplaced: int = 0
    greedy_points: int = 0
    cut_short: bool = False


@dataclass(frozen=True, slots=True)
class ReplanAnswer:
    """Placements and unplaced in the order of the displaced appointments.

    `points` are those of all placements and the worst delay; no plan with at most as many
    unplaced has fewer than `least_points`. No plan at all leaves fewer unplaced than
    `fewest_unplaced`.
    """

    status: Status
    placements: tuple[Placement, ...]
    unplaced: tuple[Unplaced, ...]
    points: int
    least_points: int
    fewest_unplaced: int
    worst_delay_days: int
    statistics: Statistics
    basis: tuple[Basis, ...] = REPLAN_BASIS

    @property
    def gap(self) -> float:
        """By what share of the points a plan that places as many could be better, at most."""
        return (self.points - self.least_points) / self.points if self.points else 0.0


class Step(StrEnum):
    """What a re-plan is doing."""

    MENUS = "menus"
    GREEDY = "greedy"
    PLACING = "placing"
    PRICES = "prices"
    NEIGHBOURHOODS = "neighbourhoods"
    PROOF = "proof"


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a re-plan stands. Figures are None until they are known."""

    step: Step
    seconds: float
    placed: int | None = None
    unplaced: int | None = None
    points: int | None = None
    least_points: int | None = None
