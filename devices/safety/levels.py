"""EN 207:2017 protection levels (scale numbers LB1 to LB10), 315 to 1400 nm.

D: n = log10(E) - 1; I and R: n = log10(H/5) + 3; M: n = log10(H/1.5) + 4, rounded up; E in W/m2,
H in J/m2 over the real area of the beam. From 400 to 1400 nm H is multiplied by N^0.25 of the
pulses in the time of the test. A pulsed laser must also meet D with its average power. Sources: an
encyclopedia article with the table of the standard, an exercise of optique-ingenieur.org and the
library lasersafety; superseded by ISO 19818-1:2021. The correction for beams other than the
reference of 1 mm depends on the material and is left out.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, log10
from typing import Final

from devices.metrology.checks import positive
from devices.safety.density import Beam, area_m2
from devices.safety.ranges import SLACK, covers
from devices.safety.vocabulary import Mode

HIGHEST: Final = 10
DURATIONS_S: Final[Mapping[Mode, tuple[float, float]]] = {
    Mode.M: (0.0, 1e-9),
    Mode.R: (1e-9, 1e-6),
    Mode.I: (1e-6, 0.25),
    Mode.D: (0.25, float("inf")),
}


@dataclass(frozen=True, slots=True)
class TestConditions:
    """How the standard tests a pair, and so how many pulses count: all of `seconds`."""

    __test__ = False

    seconds: float
    edition: str


EN207_2017: Final = TestConditions(5.0, "EN 207:2017: 5 s or 50 pulses")
EN207_OLDER: Final = TestConditions(10.0, "EN 207 before 2017: 10 s or 100 pulses")


@dataclass(frozen=True, slots=True)
class Level:
    """A level that eyewear needs. `value` is W/m2 for D, else J/m2 times N^0.25.

    `exact` is the number before it is rounded up. Beyond LB10 the standard knows none.
    """

    mode: Mode
    value: float
    exact: float

    @property
    def number(self) -> int:
        """The scale number, at least 1."""
        return max(1, ceil(self.exact - SLACK))

    @property
    def exists(self) -> bool:
        """Whether the scale goes that far."""
        return self.number <= HIGHEST

    @property
    def mark(self) -> str:
        """As it stands on the eyewear: `R LB8`."""
        return f"{self.mode.value} LB{self.number}"


@dataclass(frozen=True, slots=True)
class Protection:
    """What eyewear must withstand: the level of the pulses and that of the average power.

    `continuous` is None for a single pulse, `pulsed` for a continuous beam; at exactly 0.25 s a
    beam is both.
    """

    pulsed: Level | None
    continuous: Level | None
    test: TestConditions

    @property
    def levels(self) -> tuple[Level, ...]:
        """All that must be met."""
        return tuple(one for one in (self.continuous, self.pulsed) if one is not None)


def level(mode: Mode, value: float) -> Level:
    """The level for W/m2 (D) or J/m2 (I, R, M). Raises InvalidQuantity."""
    given = positive(value, field="value")
    if mode is Mode.D:
        exact = log10(given) - 1
    elif mode is Mode.M:
        exact = log10(given / 1.5) + 4
    else:
        exact = log10(given / 5) + 3
    return Level(mode, given, exact)


def modes_of(pulse_s: float) -> tuple[Mode, ...]:
    """D above 0.25 s, I above 1 us, R above 1 ns, M below; on a boundary both."""
    return tuple(mode for mode, (low, high) in DURATIONS_S.items() if covers(low, high, pulse_s))


def protection(beam: Beam, *, test: TestConditions = EN207_OLDER) -> Protection:
    """The levels that eyewear needs against a beam; of two modes, the higher level.

    The default counts the pulses of 10 s, which is the stricter of the two editions.
    """
    exposure = beam.exposure
    area = area_m2(beam.diameter_mm)
    rate = exposure.rate_hz
    count = 1.0 if rate is None else max(1.0, rate * test.seconds)
    modes = modes_of(exposure.pulse_s)
    pulsed = [
        level(mode, beam.energy_j / area * count**0.25) for mode in modes if mode is not Mode.D
    ]
    powers = [] if beam.average_power_w is None else [beam.average_power_w]
    if Mode.D in modes:
        powers.append(beam.energy_j / exposure.pulse_s)
    return Protection(
        pulsed=max(pulsed, key=lambda one: one.number, default=None),
        continuous=level(Mode.D, max(powers) / area) if powers else None,
        test=test,
    )
