"""Which pulses are for tattoo ink: nanosecond and picosecond ones only.

A pulse that lasts longer than the ink keeps its heat warms the dermis around it and scars
(common practice: refuse it). Shown with the thermal relaxation time d^2 / (16 k) of an ink clump
and the distance heat runs during the pulse; both are orders of magnitude (constants from memory).
"""

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

from courses.science.basis import CAUTION, Basis, Kind
from courses.science.errors import InvalidInput
from devices.metrology import diffusion_length_m, thermal_relaxation_s

NANOSECOND_S = 1e-9
LONGEST_SHORT_PULSE_S = 1e-6
SOFT_RANGE_S = (1e-10, 1e-7)
MILLISECOND_S = 1e-3
INK_PARTICLE_M = 1e-7
INK_CLUMP_M = 1e-6

BASIS = Basis(
    id="pulse-class",
    version="1",
    source="short pulses only for ink: common practice; d^2/(16 k) after Anderson & Parrish 1983, "
    "constants from memory",
    kind=Kind.COMMON_PRACTICE,
)


class PulseClass(StrEnum):
    """Classes of pulse duration."""

    PICOSECOND = "picosecond"
    NANOSECOND = "nanosecond"
    MICROSECOND = "microsecond"
    MILLISECOND = "millisecond"


@dataclass(frozen=True, slots=True)
class PulseVerdict:
    """Whether a pulse duration is for tattoo ink, with the numbers behind the answer.

    `times_clump` is the pulse over the relaxation time of a clump of 1 micrometre.
    """

    pulse_s: float
    pulse_class: PulseClass
    allowed: bool
    particle_relaxation_s: float
    clump_relaxation_s: float
    times_clump: float
    heat_runs_m: float
    text: str
    warning: str
    basis: tuple[Basis, ...] = (BASIS,)
    caution: str = CAUTION


def pulse_class(pulse_s: float) -> PulseClass:
    """The class of a pulse duration in seconds. Raises InvalidInput unless it is above 0."""
    if isinstance(pulse_s, bool) or not isfinite(pulse_s) or pulse_s <= 0:
        raise InvalidInput(
            field="pulse_s",
            rule="pulse-range",
            message=f"A pulse lasts longer than 0 s, not {pulse_s}.",
        )
    if pulse_s < NANOSECOND_S:
        return PulseClass.PICOSECOND
    if pulse_s <= LONGEST_SHORT_PULSE_S:
        return PulseClass.NANOSECOND
    return PulseClass.MICROSECOND if pulse_s < MILLISECOND_S else PulseClass.MILLISECOND


def check_pulse(pulse_s: float) -> PulseVerdict:
    """Whether a pulse of `pulse_s` seconds is for tattoo ink. Raises InvalidInput."""
    kind = pulse_class(pulse_s)
    clump = thermal_relaxation_s(INK_CLUMP_M)
    runs = diffusion_length_m(pulse_s)
    allowed = kind in {PulseClass.PICOSECOND, PulseClass.NANOSECOND}
    numbers = (
        f"A pulse of {seconds_text(pulse_s)} against the {seconds_text(clump)} in which a clump "
        f"of ink of 1 µm cools (d²/16κ): {pulse_s / clump:.3g} times. Heat runs "
        f"{runs * 1e6:.3g} µm during the pulse."
    )
    verdict = (
        "Short enough to heat the ink and not the skin around it."
        if allowed
        else "It heats the dermis around the ink and scars: not for tattoo ink."
    )
    low, high = SOFT_RANGE_S
    unusual = allowed and not low <= pulse_s <= high
    return PulseVerdict(
        pulse_s=pulse_s,
        pulse_class=kind,
        allowed=allowed,
        particle_relaxation_s=thermal_relaxation_s(INK_PARTICLE_M),
        clump_relaxation_s=clump,
        times_clump=pulse_s / clump,
        heat_runs_m=runs,
        text=f"{numbers} {verdict}",
        warning="Outside the usual 100 ps to 100 ns." if unusual else "",
    )


def seconds_text(seconds: float) -> str:
    """A duration in the unit a person would use: `450 ps`, `6 ns`, `10 ms`."""
    for unit, size in (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6), ("ns", 1e-9)):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds * 1e12:.3g} ps"
