"""How the lines that a chain's own lasers emit rank for one tattoo and one skin type."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from courses.science.basis import CAUTION, Basis
from courses.science.errors import InvalidInput
from courses.science.ink_cautions import DARKER, FIRST_FOR_DARKER_NM, InkCaution
from courses.science.ink_table import INK_TABLE, POINTS, Grade, nominal_nm
from courses.science.pulses import BASIS as PULSE_BASIS
from courses.science.pulses import PulseClass, PulseVerdict, check_pulse
from courses.science.wavelengths import (
    BASIS,
    USABLE,
    ColourNeed,
    InkPart,
    colour_needs,
    effective_skin_type,
)
from courses.vocabulary import InkColour, SkinType


@dataclass(frozen=True, slots=True)
class Line:
    """One wavelength that a laser emits and the pulse durations (s) it can be set to."""

    key: str
    wavelength_nm: float
    pulse_min_s: float
    pulse_max_s: float

    def __post_init__(self) -> None:
        """Raise InvalidInput for a wavelength that is not above 0 or durations out of order."""
        if not 100 <= self.wavelength_nm <= 20_000:
            raise InvalidInput(
                field="lines.wavelength_nm",
                rule="wavelength-range",
                message=f"A laser line has 100 to 20000 nm, not {self.wavelength_nm}.",
            )
        if not 0 < self.pulse_min_s <= self.pulse_max_s:
            raise InvalidInput(
                field="lines.pulse_min_s",
                rule="pulse-range",
                message="The shortest pulse is above 0 and not above the longest.",
            )


@dataclass(frozen=True, slots=True)
class LineFit:
    """How one colour answers one line."""

    colour: InkColour
    share: float
    grade: Grade
    cautions: tuple[InkCaution, ...]

    @property
    def usable(self) -> bool:
        """Whether the ink answers at all."""
        return self.grade in USABLE


@dataclass(frozen=True, slots=True)
class RankedLine:
    """One line, its rank (1 is best) and why. A refused line serves nothing.

    `score` is the mean of the grade points (first choice 3, works 2, partial 1) over the visible
    ink, weighted by share: 0..3.
    """

    line: Line
    rank: int
    refused: bool
    score: float
    fits: tuple[LineFit, ...]
    pulse: PulseVerdict
    reasons: tuple[str, ...]
    test_spot: bool
    clinician: bool
    basis: tuple[Basis, ...] = (BASIS, PULSE_BASIS)
    caution: str = CAUTION

    @property
    def serves(self) -> tuple[InkColour, ...]:
        """The colours this line acts on."""
        return () if self.refused else tuple(fit.colour for fit in self.fits if fit.usable)


def rank_lines(
    parts: Sequence[InkPart],
    skin_type: SkinType,
    lines: Sequence[Line],
    *,
    tanned: bool = False,
) -> tuple[RankedLine, ...]:
    """The given lines, best first for the visible parts; refused ones last.

    A line whose shortest pulse is longer than 1 microsecond is refused, with numbers. For skin
    types IV to VI, 1064 nm comes first where any of the ink answers it. Raises InvalidInput.
    """
    skin = effective_skin_type(skin_type, tanned=tanned)
    needs = colour_needs(parts, skin)
    rated = [_rate(line, needs=needs, skin_type=skin) for line in lines]
    rated.sort(key=lambda ranked: _order(ranked, skin_type=skin))
    return tuple(replace(ranked, rank=number) for number, ranked in enumerate(rated, start=1))


def uncovered(
    parts: Sequence[InkPart], skin_type: SkinType, ranked: Sequence[RankedLine]
) -> tuple[InkColour, ...]:
    """The visible colours that none of the ranked lines acts on."""
    served = {colour for line in ranked for colour in line.serves}
    needs = colour_needs(parts, skin_type)
    return tuple(need.colour for need in needs if need.colour not in served)


def _rate(line: Line, *, needs: Sequence[ColourNeed], skin_type: SkinType) -> RankedLine:
    pulse = check_pulse(line.pulse_min_s)
    fits = tuple(
        _fit(line, need=need, picosecond=pulse.pulse_class is PulseClass.PICOSECOND)
        for need in needs
    )
    area = sum(fit.share for fit in fits)
    total = sum(fit.share * POINTS[fit.grade] for fit in fits)
    used = [fit for fit in fits if fit.usable]
    return RankedLine(
        line=line,
        rank=0,
        refused=not pulse.allowed,
        score=total / area if area and pulse.allowed else 0.0,
        fits=fits,
        pulse=pulse,
        reasons=tuple(_reasons(line, fits=fits, pulse=pulse, skin_type=skin_type)),
        test_spot=any(c.test_spot for fit in used for c in fit.cautions),
        clinician=any(c.clinician for fit in used for c in fit.cautions),
    )


def _fit(line: Line, *, need: ColourNeed, picosecond: bool) -> LineFit:
    nominal = nominal_nm(line.wavelength_nm)
    if nominal is None:
        return LineFit(need.colour, need.share, Grade.UNKNOWN, need.cautions)
    choice = next(c for c in need.choices if c.wavelength_nm == nominal)
    grade = INK_TABLE[need.colour][nominal].grade_for(picosecond=picosecond)
    return LineFit(need.colour, need.share, grade, choice.cautions)


def _reasons(
    line: Line, *, fits: Sequence[LineFit], pulse: PulseVerdict, skin_type: SkinType
) -> list[str]:
    if not pulse.allowed:
        return [pulse.text]
    reasons = [
        f"{fit.colour.value.replace('_', ' ')}: {fit.grade.value.replace('_', ' ')}" for fit in fits
    ]
    nominal = nominal_nm(line.wavelength_nm)
    if nominal is None:
        reasons.append(f"The table has no figures for {line.wavelength_nm:g} nm.")
    if skin_type in DARKER and nominal == FIRST_FOR_DARKER_NM:
        reasons.append(f"Skin type {skin_type.name}: 1064 nm comes first.")
    if not check_pulse(line.pulse_max_s).allowed:
        reasons.append("Only its short pulses are for ink; its long ones are refused.")
    if pulse.warning:
        reasons.append(pulse.warning)
    reasons.extend(dict.fromkeys(c.text for fit in fits if fit.usable for c in fit.cautions))
    return reasons


def _order(ranked: RankedLine, *, skin_type: SkinType) -> tuple[bool, bool, bool, float, float]:
    first = skin_type in DARKER and nominal_nm(ranked.line.wavelength_nm) == FIRST_FOR_DARKER_NM
    return (
        ranked.refused,
        not ranked.serves,
        not first,
        -ranked.score,
        -ranked.line.wavelength_nm,
    )
