"""What a chain may decide about service and energy checks, with defaults and their sources.

`Chain.device_policy` holds the values that differ from the defaults. Limits of a standard may be
made stricter, never laxer.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from devices.vocabulary import LockOutReason

ALWAYS_VERIFIED: Final = frozenset(
    {
        LockOutReason.ENERGY_CHECK_FAILED,
        LockOutReason.SERVICE_DUE,
        LockOutReason.SERVICE_VISIT,
    }
)


@dataclass(frozen=True, slots=True)
class Value:
    """One value of the policy: its default, the least and the most it may be, and its source."""

    default: float
    least: float
    most: float
    unit: str
    meaning: str
    source: str
    whole: bool = True


VALUES: Final[Mapping[str, Value]] = {
    "service_warn_days": Value(
        21, 0, 365, "d", "warned so long before a service may fall due", "proposal of this service"
    ),
    "recent_days": Value(
        56, 7, 365, "d", "how far back the recent rate of pulses looks", "proposal of this service"
    ),
    "check_days": Value(
        30,
        1,
        365,
        "d",
        "how long a passing energy check counts",
        "proposal of this service; 21 CFR 1040.11(a) leaves the schedule to the maker",
    ),
    "fewest_readings": Value(
        3, 3, 20, "readings", "readings of one setting", "common practice of calibration records"
    ),
    "tolerance": Value(
        0.20,
        0.01,
        0.20,
        "of the setting",
        "how far the mean may be off, edges included",
        "IEC 60601-2-22; 21 CFR 1040.11(a); that the edges pass is a choice of this project",
        whole=False,
    ),
}
LOCK_OUT: Final = "service_lock_out"
VERIFIED: Final = "verified_reasons"
SWITCHES: Final[Mapping[str, tuple[bool | tuple[str, ...], str, str]]] = {
    LOCK_OUT: (
        True,
        "whether a laser is locked out when a service is overdue",
        "proposal of this service",
    ),
    VERIFIED: (
        (LockOutReason.FAULT.value,),
        "which further lock-outs need a passing energy check before their release",
        "proposal of this service; after a failed check or service it is always needed",
    ),
}


class PolicyUnfit(ValueError):
    """A value that the policy does not take; `field` names it, `rule` is a stable code."""

    def __init__(self, message: str, *, field: str, rule: str) -> None:
        super().__init__(message)
        self.field = field
        self.rule = rule


@dataclass(frozen=True, slots=True)
class DevicePolicy:
    """The values in force for one chain."""

    service_warn_days: int
    recent_days: int
    check_days: int
    fewest_readings: int
    tolerance: float
    service_lock_out: bool
    verified_reasons: frozenset[LockOutReason]

    def needs_check(self, reason: str) -> bool:
        """Whether a lock-out for this reason is released on a passing energy check only."""
        return reason in self.verified_reasons


def device_policy_of(given: Mapping[str, Any]) -> DevicePolicy:
    """A chain's policy: the defaults, with what it has of its own. Raises PolicyUnfit."""
    for name in given:
        if name not in VALUES and name not in SWITCHES:
            known = ", ".join(sorted({*VALUES, *SWITCHES}))
            raise PolicyUnfit(
                f"{name} is no value of this policy: {known}.", field=name, rule="unknown"
            )
    numbers = {name: _number(name, given.get(name, one.default)) for name, one in VALUES.items()}
    lock_out = given.get(LOCK_OUT, SWITCHES[LOCK_OUT][0])
    if not isinstance(lock_out, bool):
        raise PolicyUnfit(f"{LOCK_OUT} is true or false.", field=LOCK_OUT, rule="invalid")
    return DevicePolicy(
        service_warn_days=int(numbers["service_warn_days"]),
        recent_days=int(numbers["recent_days"]),
        check_days=int(numbers["check_days"]),
        fewest_readings=int(numbers["fewest_readings"]),
        tolerance=numbers["tolerance"],
        service_lock_out=lock_out,
        verified_reasons=ALWAYS_VERIFIED | _reasons(given.get(VERIFIED, SWITCHES[VERIFIED][0])),
    )


def _number(name: str, given: Any) -> float:
    rule = VALUES[name]
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise PolicyUnfit(f"{name} takes a number.", field=name, rule="invalid")
    if rule.whole and given != int(given):
        raise PolicyUnfit(f"{name} takes a whole number.", field=name, rule="invalid")
    if not rule.least <= given <= rule.most:
        raise PolicyUnfit(
            f"{name} may be {rule.least:g} to {rule.most:g} {rule.unit}, not {given:g}.",
            field=name,
            rule="out_of_range",
        )
    return float(given)


def _reasons(given: Any) -> frozenset[LockOutReason]:
    known = {reason.value for reason in LockOutReason}
    if not isinstance(given, list | tuple) or not {*map(str, given)} <= known:
        raise PolicyUnfit(
            f"{VERIFIED} lists reasons of lock-outs: {', '.join(sorted(known))}.",
            field=VERIFIED,
            rule="invalid",
        )
    return frozenset(map(LockOutReason, given))
