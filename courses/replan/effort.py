"""How much work a re-plan may take, and the clock that ends it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from time import monotonic
from typing import Self


@dataclass(frozen=True, slots=True)
class Effort:
    """Work counted in rounds and in the solver's deterministic seconds.

    So the same problem, effort and seed give the same plan, however fast the machine is.
    `seconds` of wall time end it all the same; then the plan may differ between runs, and the
    answer says so. `prices_seconds`: deterministic, of each linear relaxation. `rounds`: in which
    prices are made better in a cycle. `neighbourhoods`: parts of the plan that are planned
    afresh in a cycle, each of at most `size` appointments. `part_seconds` and `proof_seconds`:
    deterministic, of each part and of each proof. `largest_pool`: starts in a proof. `enough`: the
    gap at which work ends, when as many as can be are placed and there are more than `size`.
    """

    seed: int = 1
    seconds: float = 120.0
    prices_seconds: float = 60.0
    rounds: int = 100
    neighbourhoods: int = 40
    size: int = 60
    part_seconds: float = 3.0
    proof_seconds: float = 8.0
    largest_pool: int = 6000
    enough: float = 0.015


DEFAULT_EFFORT = Effort()


@dataclass(slots=True)
class Clock:
    """Wall time since `began`; knows whether it ever said that time is up."""

    seconds: float
    now: Callable[[], float] = monotonic
    began: float = field(init=False)
    cut_short: bool = False

    def __post_init__(self) -> None:
        self.began = self.now()

    @classmethod
    def of(cls, effort: Effort) -> Self:
        """Started now."""
        return cls(effort.seconds)

    @property
    def elapsed(self) -> float:
        """Seconds so far."""
        return self.now() - self.began

    @property
    def left(self) -> float:
        """Seconds left, 0 or more."""
        return max(0.0, self.seconds - self.elapsed)

    def running(self) -> bool:
        """Whether there is time left."""
        if self.left > 0:
            return True
        self.cut_short = True
        return False
