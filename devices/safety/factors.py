"""Correction factors of both limit sets, and the factors for trains of pulses.

Directive 2006/25/EC Annex II Tables 2.5 and 2.6 (read in a transposition of it); IEC 60825-1:2014
Table 9 and clause 4.3 f) (read in open reprints; the text of the standard from memory). The
same quantity has two names: CA is C4, CC is C7, CE is C6, CB is C3.
"""

from collections.abc import Mapping, Sequence
from math import inf, sqrt
from typing import Final

from devices.metrology.checks import positive
from devices.safety.ranges import Piece, least
from devices.safety.vocabulary import LimitSet

ALPHA_MIN_MRAD: Final = 1.5
ALPHA_MAX_MRAD: Final = 100.0
ALPHA_MAX_SHORT_MRAD: Final = 5.0
ALPHA_MAX_SHORT_S: Final = 625e-6
ALPHA_MAX_LONG_S: Final = 0.25
ACCIDENTAL_S: Final = 0.25

CA_PIECES: Final[Sequence[Piece]] = (
    (0, 700, lambda _nm: 1.0),
    (700, 1050, lambda nm: 10 ** (0.002 * (nm - 700))),
    (1050, inf, lambda _nm: 5.0),
)
CB_PIECES: Final[Sequence[Piece]] = (
    (0, 450, lambda _nm: 1.0),
    (450, inf, lambda nm: 10 ** (0.02 * (nm - 450))),
)
_CC_BELOW_1200: Final[Sequence[Piece]] = (
    (0, 1150, lambda _nm: 1.0),
    (1150, 1200, lambda nm: 10 ** (0.018 * (nm - 1150))),
)
CC_PIECES: Final[Mapping[LimitSet, Sequence[Piece]]] = {
    LimitSet.EU2006: (*_CC_BELOW_1200, (1200, inf, lambda _nm: 8.0)),
    LimitSet.IEC2014: (*_CC_BELOW_1200, (1200, inf, lambda nm: 8 + 10 ** (0.04 * (nm - 1250)))),
}
# Pulses closer together than this count as one (Tmin of the Directive, Ti of the standard).
ONE_PULSE_S: Final[Mapping[LimitSet, Sequence[Piece]]] = {
    LimitSet.EU2006: ((0, 1050, lambda _nm: 18e-6), (1050, inf, lambda _nm: 50e-6)),
    LimitSet.IEC2014: ((0, 1050, lambda _nm: 5e-6), (1050, inf, lambda _nm: 13e-6)),
}


def ca(wavelength_nm: float) -> float:
    """CA (C4): 1 below 700 nm, 10^(0.002 (nm - 700)) to 1050 nm, then 5."""
    return least(CA_PIECES, wavelength_nm)


def cb(wavelength_nm: float) -> float:
    """CB (C3), of the photochemical limit alone: 1 to 450 nm, then 10^(0.02 (nm - 450))."""
    return least(CB_PIECES, wavelength_nm)


def cc(wavelength_nm: float, *, limit_set: LimitSet) -> float:
    """CC (C7): 1 to 1150 nm, 10^(0.018 (nm - 1150)) to 1200 nm; above, the sets differ."""
    return least(CC_PIECES[limit_set], wavelength_nm)


def alpha_max_mrad(duration_s: float) -> float:
    """Largest source angle that raises C6 (IEC 2014): 5 mrad, 200 t^0.5 from 625 us, then 100."""
    if duration_s <= ALPHA_MAX_SHORT_S:
        return ALPHA_MAX_SHORT_MRAD
    if duration_s >= ALPHA_MAX_LONG_S:
        return ALPHA_MAX_MRAD
    return 200 * sqrt(duration_s)


def ce(source_mrad: float, *, duration_s: float, limit_set: LimitSet) -> float:
    """CE (C6) of a source of an angle in mrad; 1 up to 1.5 mrad. Raises InvalidQuantity.

    EU2006: alpha/1.5 to 100 mrad, alpha^2/150 above. IEC2014: alpha/1.5, no more than alpha_max
    of the duration gives, so at most 3.33 for nanoseconds.
    """
    angle = positive(source_mrad, field="source_mrad")
    if angle <= ALPHA_MIN_MRAD:
        return 1.0
    if limit_set is LimitSet.IEC2014:
        return min(angle, alpha_max_mrad(duration_s)) / ALPHA_MIN_MRAD
    if angle <= ALPHA_MAX_MRAD:
        return angle / ALPHA_MIN_MRAD
    return angle**2 / (ALPHA_MIN_MRAD * ALPHA_MAX_MRAD)


def one_pulse_s(wavelength_nm: float, *, limit_set: LimitSet) -> float:
    """Pulses within this time count as one: Tmin 18 or 50 us (EU2006), Ti 5 or 13 us (IEC2014)."""
    return least(ONE_PULSE_S[limit_set], wavelength_nm)


def cp(pulses: float) -> float:
    """CP = N^-0.25 of a train of N pulses (EU2006, rule 3). Raises InvalidQuantity."""
    return float(positive(pulses, field="pulses") ** -0.25)


def c5(
    pulses: float,
    *,
    pulse_s: float,
    exposure_s: float,
    one_pulse: float,
    source_mrad: float = ALPHA_MIN_MRAD,
) -> float:
    """C5 of a train of N pulses seen for `exposure_s` (IEC 2014, rule 3), never above 1.

    Pulses no longer than Ti (`one_pulse`): 1 up to 0.25 s or 600 pulses, else 5 N^-0.25, at
    least 0.4; between 601 and 624 that would exceed 1, so it is held there. Longer pulses: by the
    size of the source. Raises InvalidQuantity.
    """
    count = positive(pulses, field="pulses")
    if pulse_s <= one_pulse:
        if exposure_s <= ACCIDENTAL_S or count <= 600:
            return 1.0
        return float(min(1.0, max(0.4, 5 * count**-0.25)))
    if source_mrad <= ALPHA_MAX_SHORT_MRAD or source_mrad > ALPHA_MAX_MRAD:
        return 1.0
    if source_mrad <= alpha_max_mrad(pulse_s):
        return float(count**-0.25) if count <= 40 else 0.4
    return float(count**-0.25) if count <= 625 else 0.2
