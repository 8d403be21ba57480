"""What a healing rule is, and what it answers about one set of facts."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from courses.healing.facts import Facts, Observation
from courses.healing.policy import Parameter, Parameters, Policy
from courses.science.basis import Kind


class Effect(StrEnum):
    """What a rule does to the window."""

    EARLIEST = "earliest"
    ADVISE = "advise"
    HOLD = "hold"
    NEVER = "never"


class HoldUntil(StrEnum):
    """What ends a hold. A clinician's release ends any of them."""

    SEEN_HEALED = "seen_healed"
    SEEN_FLAT = "seen_flat"
    CLINICIAN_RELEASE = "clinician_release"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one rule says about one set of facts; `findings` are those that hold."""

    applies: bool
    reason: str
    on: date | None = None
    until: HoldUntil | None = None
    findings: tuple[Observation, ...] = ()
    missing: str = ""


Check = Callable[[Facts, Parameters], Verdict]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of healing, at one version."""

    id: str
    version: str
    effect: Effect
    kind: Kind
    source: str
    explanation: str
    parameters: tuple[Parameter, ...]
    check: Check

    def parameters_in(self, policy: Policy) -> Parameters:
        """The values in force under a chain's policy."""
        own = policy.overrides.get(self.id, {})
        return Parameters({p.name: own.get(p.name, p.default) for p in self.parameters})
