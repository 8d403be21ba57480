"""Exposure limits of eye and skin, for one pulse and for trains of them.

400 to 1400 nm and 100 ps to 10 s; what lies outside is refused. On a boundary of the tables the
stricter value counts (notes of the Directive's Tables 2.2 and 2.4). Limits protect staff,
bystanders and the patient's eyes, not the skin under treatment.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

from devices.metrology.checks import positive
from devices.metrology.errors import InvalidQuantity
from devices.safety.factors import ALPHA_MIN_MRAD, c5, cp, one_pulse_s
from devices.safety.ranges import LONGEST_S, SLACK, tabled_duration, tabled_wavelength
from devices.safety.tables import APERTURE_MM, Reading, read
from devices.safety.vocabulary import EU_TRAIN, IEC_TRAIN, Clause, LimitSet, Tissue

USUAL_EXPOSURE_S = 10.0


@dataclass(frozen=True, slots=True)
class Exposure:
    """Light on tissue: one pulse (or one exposure to a continuous beam), or a train of pulses.

    `pulse_s` lasts one, `rate_hz` repeats it (None: once), for `exposure_s`. `source_mrad` is the
    angle under which the source is seen; 1.5 or less is a point, as a beam is. Raises
    InvalidQuantity, OutsideTables.
    """

    wavelength_nm: float
    pulse_s: float
    rate_hz: float | None = None
    exposure_s: float = USUAL_EXPOSURE_S
    source_mrad: float = ALPHA_MIN_MRAD

    def __post_init__(self) -> None:
        tabled_wavelength(self.wavelength_nm)
        tabled_duration(self.pulse_s)
        tabled_duration(self.exposure_s, field="exposure_s")
        positive(self.source_mrad, field="source_mrad")
        if self.rate_hz is None:
            return
        if positive(self.rate_hz, field="rate_hz") * self.pulse_s > 1 + SLACK:
            raise InvalidQuantity(
                field="rate_hz",
                rule="pulses-overlap",
                message="Pulses of this duration cannot follow one another at this rate.",
            )

    @property
    def pulses(self) -> int:
        """How many pulses the exposure holds, rounded up; 1 without a rate."""
        if self.rate_hz is None:
            return 1
        return max(1, ceil(self.rate_hz * self.exposure_s * (1 - SLACK)))


@dataclass(frozen=True, slots=True)
class Rule:
    """What one of the three rules for trains leaves for each pulse, in J/m2."""

    number: int
    value_j_m2: float
    clause: Clause


@dataclass(frozen=True, slots=True)
class Limit:
    """The limit for each pulse, in J/m2 over an aperture in mm, and how it came about.

    `limit_set` is the set it belongs to, never `LOWER`; `single` is that of one pulse alone.
    """

    limit_set: LimitSet
    tissue: Tissue
    exposure: Exposure
    value_j_m2: float
    single: Reading
    rules: tuple[Rule, ...]

    @property
    def aperture_mm(self) -> float:
        """Over which an exposure is averaged before it is compared: 7 mm eye, 3.5 mm skin."""
        return APERTURE_MM[self.tissue]

    @property
    def value_w_m2(self) -> float:
        """The same as irradiance during the pulse."""
        return self.value_j_m2 / self.exposure.pulse_s

    @property
    def rule(self) -> int:
        """Which of the three rules binds; 1 is that of the single pulse."""
        return min(self.rules, key=lambda one: one.value_j_m2).number

    @property
    def clauses(self) -> tuple[Clause, ...]:
        """Where the limit stands: the row, and the rules where there is a train."""
        return tuple(dict.fromkeys([self.single.clause, *(one.clause for one in self.rules)]))


def exposure_limit(
    exposure: Exposure, *, limit_set: LimitSet, tissue: Tissue = Tissue.EYE
) -> Limit:
    """The limit for each pulse of an exposure, of one set or the lower of both.

    With `LOWER`, each set is computed whole and the lower result counts, named by its own set.
    """
    if limit_set is LimitSet.LOWER:
        both = [
            exposure_limit(exposure, limit_set=one, tissue=tissue)
            for one in (LimitSet.EU2006, LimitSet.IEC2014)
        ]
        return min(both, key=lambda one: one.value_j_m2)
    single = _read(exposure, exposure.pulse_s, limit_set=limit_set, tissue=tissue)
    rules = tuple(_rules(exposure, single, limit_set=limit_set, tissue=tissue))
    return Limit(
        limit_set=limit_set,
        tissue=tissue,
        exposure=exposure,
        value_j_m2=min(one.value_j_m2 for one in rules),
        single=single,
        rules=rules,
    )


def _rules(
    exposure: Exposure, single: Reading, *, limit_set: LimitSet, tissue: Tissue
) -> Iterator[Rule]:
    """Rule 1: each pulse. 2: all pulses of the exposure. 3: each pulse, less for their number.

    Rule 2 asks for every group; of an even train the longest is the strictest, because the limit
    grows slower than time does.
    """
    yield Rule(1, single.value_j_m2, single.clause)
    count = exposure.pulses
    if count == 1:
        return
    train = EU_TRAIN if limit_set is LimitSet.EU2006 else IEC_TRAIN
    whole = _read(exposure, exposure.exposure_s, limit_set=limit_set, tissue=tissue)
    yield Rule(2, whole.value_j_m2 / count, train)
    if limit_set is LimitSet.EU2006 or tissue is Tissue.EYE:
        yield Rule(3, _third(exposure, single, limit_set=limit_set, tissue=tissue), train)


def _third(exposure: Exposure, single: Reading, *, limit_set: LimitSet, tissue: Tissue) -> float:
    """Rule 3. Pulses that follow within Tmin (Ti) are one: its limit is shared among them."""
    merged_s = one_pulse_s(exposure.wavelength_nm, limit_set=limit_set)
    in_one = _pulses_within(merged_s, exposure)
    if in_one == 1:
        return single.value_j_m2 * _factor(
            exposure.pulses, exposure.pulse_s, exposure, limit_set=limit_set
        )
    groups = max(1, ceil(exposure.pulses / in_one))
    merged = _read(exposure, merged_s, limit_set=limit_set, tissue=tissue)
    return merged.value_j_m2 * _factor(groups, merged_s, exposure, limit_set=limit_set) / in_one


def _pulses_within(seconds: float, exposure: Exposure) -> int:
    if exposure.rate_hz is None or exposure.pulse_s >= seconds:
        return 1
    return max(1, ceil(exposure.rate_hz * seconds * (1 - SLACK)))


def _factor(count: int, pulse_s: float, exposure: Exposure, *, limit_set: LimitSet) -> float:
    if limit_set is LimitSet.EU2006:
        return cp(count)
    return c5(
        count,
        pulse_s=pulse_s,
        exposure_s=exposure.exposure_s,
        one_pulse=one_pulse_s(exposure.wavelength_nm, limit_set=limit_set),
        source_mrad=exposure.source_mrad,
    )


def _read(exposure: Exposure, duration_s: float, *, limit_set: LimitSet, tissue: Tissue) -> Reading:
    return read(
        limit_set,
        tissue,
        wavelength_nm=exposure.wavelength_nm,
        duration_s=min(duration_s, LONGEST_S),
        source_mrad=exposure.source_mrad,
    )
