"""The tables of both limit sets, row by row: H = base x t^exponent x factors, in J/m2.

EU2006: Directive 2006/25/EC Annex II, Tables 2.2 and 2.4 (read in a transposition; Table 2.3 from
memory, needed only at exactly 10 s). IEC2014: IEC 60825-1:2014, Tables A.1 and A.5 (read in two
open reprints that agree; the text of the standard from memory).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from devices.safety.factors import ca, cb, cc, ce
from devices.safety.ranges import covers
from devices.safety.vocabulary import (
    EU_EYE,
    EU_EYE_LONG,
    EU_SKIN,
    IEC_CORNEA,
    IEC_EYE,
    IEC_EYE_LONG,
    IEC_SKIN,
    Clause,
    LimitSet,
    Tissue,
)

APERTURE_MM: Final[Mapping[Tissue, float]] = {Tissue.EYE: 7.0, Tissue.SKIN: 3.5}


@dataclass(frozen=True, slots=True)
class Row:
    """One cell of a table; its ends belong to it. `factors` names those that multiply it."""

    clause: Clause
    low_nm: float
    high_nm: float
    low_s: float
    high_s: float
    base: float
    exponent: float
    factors: tuple[str, ...] = ()

    def covers(self, *, wavelength_nm: float, duration_s: float) -> bool:
        """Whether the row speaks of this wavelength (nm) and duration (s)."""
        return covers(self.low_nm, self.high_nm, wavelength_nm) and covers(
            self.low_s, self.high_s, duration_s
        )


@dataclass(frozen=True, slots=True)
class Reading:
    """What a row says: J/m2, with the value of each factor in it."""

    clause: Clause
    value_j_m2: float
    factors: tuple[tuple[str, float], ...]


def _eye(clause: Clause, long: Clause) -> Iterator[Row]:
    """The rows that both sets share: from the thermal time on, and at 10 s."""
    flat_end = {EU_EYE: (18e-6, 50e-6), IEC_EYE: (5e-6, 13e-6)}[clause]
    for low, high, factors in ((400, 700, ("CE",)), (700, 1050, ("CA", "CE"))):
        yield Row(clause, low, high, flat_end[0], 10, 18, 0.75, factors)
    yield Row(clause, 1050, 1400, flat_end[1], 10, 90, 0.75, ("CC", "CE"))
    # The rows that begin at 10 s are W/m2; here they speak of 10 s alone.
    yield Row(long, 400, 700, 10, 10, 10, 1, ("CE",))
    yield Row(long, 700, 1400, 10, 10, 10, 1, ("CA", "CC", "CE"))
    yield Row(long, 400, 600, 10, 10, 100, 0, ("CB",))


def _skin(clause: Clause) -> Iterator[Row]:
    for low, high, factors in ((400, 700, ()), (700, 1400, ("CA",))):
        yield Row(clause, low, high, 0, 1e-9, 2e11, 1, factors)
        yield Row(clause, low, high, 1e-9, 1e-7, 200, 0, factors)
        yield Row(clause, low, high, 1e-7, 10, 1.1e4, 0.25, factors)


def _eu_short() -> Iterator[Row]:
    for low, high, factors in ((400, 700, ("CE",)), (700, 1050, ("CA", "CE"))):
        yield Row(EU_EYE, low, high, 1e-11, 1e-9, 2.7e4, 0.75, factors)
        yield Row(EU_EYE, low, high, 1e-9, 18e-6, 5e-3, 0, factors)
    yield Row(EU_EYE, 1050, 1400, 1e-11, 1e-9, 2.7e5, 0.75, ("CC", "CE"))
    yield Row(EU_EYE, 1050, 1400, 1e-9, 50e-6, 5e-2, 0, ("CC", "CE"))


def _iec_short() -> Iterator[Row]:
    yield Row(IEC_EYE, 400, 700, 1e-11, 5e-6, 2e-3, 0, ("CE",))
    yield Row(IEC_EYE, 700, 1050, 1e-11, 5e-6, 2e-3, 0, ("CA", "CE"))
    yield Row(IEC_EYE, 1050, 1400, 1e-11, 13e-6, 2e-2, 0, ("CC", "CE"))
    # C7 grows beyond all bounds towards 1400 nm, where the cornea is what is hurt first.
    for row in _skin(IEC_CORNEA):
        if row.high_nm > 1200:
            yield Row(
                IEC_CORNEA, 1200, 1400, row.low_s, row.high_s, row.base, row.exponent, ("CA",)
            )


TABLES: Final[Mapping[tuple[LimitSet, Tissue], Sequence[Row]]] = {
    (LimitSet.EU2006, Tissue.EYE): (*_eu_short(), *_eye(EU_EYE, EU_EYE_LONG)),
    (LimitSet.EU2006, Tissue.SKIN): tuple(_skin(EU_SKIN)),
    (LimitSet.IEC2014, Tissue.EYE): (*_iec_short(), *_eye(IEC_EYE, IEC_EYE_LONG)),
    (LimitSet.IEC2014, Tissue.SKIN): tuple(_skin(IEC_SKIN)),
}


def read(
    limit_set: LimitSet,
    tissue: Tissue,
    *,
    wavelength_nm: float,
    duration_s: float,
    source_mrad: float,
) -> Reading:
    """The strictest of the rows that speak of the wavelength and duration, both in the tables."""
    known = {
        "CA": ca(wavelength_nm),
        "CB": cb(wavelength_nm),
        "CC": cc(wavelength_nm, limit_set=limit_set),
        "CE": ce(source_mrad, duration_s=duration_s, limit_set=limit_set),
    }
    readings = [
        _reading(row, duration_s=duration_s, known=known)
        for row in TABLES[limit_set, tissue]
        if row.covers(wavelength_nm=wavelength_nm, duration_s=duration_s)
    ]
    return min(readings, key=lambda one: one.value_j_m2)


def breaks_s(limit_set: LimitSet, tissue: Tissue) -> tuple[float, ...]:
    """The durations in s at which one row ends and another begins."""
    rows = TABLES[limit_set, tissue]
    return tuple(sorted({row.low_s for row in rows} | {row.high_s for row in rows}))


def _reading(row: Row, *, duration_s: float, known: Mapping[str, float]) -> Reading:
    value = row.base * duration_s**row.exponent
    for name in row.factors:
        value *= known[name]
    return Reading(row.clause, value, tuple((name, known[name]) for name in row.factors))
