"""Delivered against set: deviation, the 20 % limit, what the spot does to fluence, counters.

The 20 % limit: 21 CFR 1040.11(a) (error of the measurement of the level, at most 20 %) and IEC
60601-2-22 (delivered output within +-20 % of the set value). That the edges pass is a choice of
this project.
"""

from dataclasses import dataclass

from devices.metrology.checks import not_negative, positive

TOLERANCE = 0.20
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class OutputCheck:
    """A measured output against what was set; `deviation` as a fraction of the set value."""

    set_value: float
    measured: float
    deviation: float
    tolerance: float
    passed: bool


def deviation(measured: float, *, set_value: float) -> float:
    """(measured - set) / set, a fraction. Raises InvalidQuantity."""
    nominal = positive(set_value, field="set_value")
    return (not_negative(measured, field="measured") - nominal) / nominal


def check_output(measured: float, *, set_value: float, tolerance: float = TOLERANCE) -> OutputCheck:
    """Whether an output lies within +-`tolerance` of what was set, edges included.

    Any unit, the same for both values. Raises InvalidQuantity.
    """
    off = deviation(measured, set_value=set_value)
    limit = positive(tolerance, field="tolerance")
    return OutputCheck(
        set_value=set_value,
        measured=measured,
        deviation=off,
        tolerance=limit,
        passed=abs(off) <= limit + _ROUNDING,
    )


def fluence_change(*, energy_change: float = 0.0, spot_change: float = 0.0) -> float:
    """Change of fluence, a fraction, when energy and spot diameter change by fractions.

    Fluence goes with energy / diameter^2: a spot 5 % small alone gives +10.80 %. Raises
    InvalidQuantity for a change of -100 % or below.
    """
    energy = positive(1 + energy_change, field="energy_change")
    spot = positive(1 + spot_change, field="spot_change")
    return energy / spot**2 - 1


def most_pulses(firing_s: float, *, rate_hz: float) -> float:
    """The most pulses that `firing_s` seconds at `rate_hz` can hold. Raises InvalidQuantity."""
    return not_negative(firing_s, field="firing_s") * positive(rate_hz, field="rate_hz")


def pulses_plausible(pulses: int, *, firing_s: float, rate_hz: float) -> bool:
    """Whether a logged count fits the time fired: 3001 in 300 s at 10 Hz does not."""
    count = not_negative(pulses, field="pulses")
    return count <= most_pulses(firing_s, rate_hz=rate_hz) * (1 + _ROUNDING)
