"""Reaction rates by wavelength, skin type and colour, with exact intervals."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from courses.outcomes.published import BY_REACTION, PublishedBand
from courses.science.basis import CAUTION, Basis, Kind
from courses.science.binomial import Share, share_of
from courses.vocabulary import InkColour, ObservationKind, SkinType

BASIS = Basis(
    id="outcomes.reaction-rates",
    version="1",
    source="Clopper & Pearson 1934, Biometrika 26:404-413; a patient counts once in a cell",
    kind=Kind.PUBLISHED,
)


class Axis(StrEnum):
    """What the rates are told apart by."""

    WAVELENGTH = "wavelength"
    SKIN_TYPE = "skin_type"
    COLOUR = "colour"


class Comparison(StrEnum):
    """How a rate stands to a published band: its whole interval below or above, or not apart."""

    BELOW = "below"
    NOT_APART = "not_apart"
    ABOVE = "above"


@dataclass(frozen=True, slots=True)
class TreatedPart:
    """One colour treated with one wavelength in one session, and what the skin showed after.

    `patient`: any key that is the same for all treatments of one person.
    """

    patient: str
    wavelength_nm: int
    skin_type: SkinType
    colour: InkColour
    reactions: frozenset[ObservationKind]


@dataclass(frozen=True, slots=True)
class Cell:
    """One combination; an axis that was not asked for is None."""

    wavelength_nm: int | None
    skin_type: SkinType | None
    colour: InkColour | None


@dataclass(frozen=True, slots=True)
class BandComparison:
    """A published band that speaks of the cell, and how the rate stands to it."""

    band: PublishedBand
    comparison: Comparison


@dataclass(frozen=True, slots=True)
class ReactionRate:
    """Patients of a cell who ever showed the reaction, beside what was published."""

    reaction: ObservationKind
    cell: Cell
    treatments: int
    share: Share
    published: tuple[BandComparison, ...]
    basis: Basis = BASIS
    caution: str = CAUTION


def reaction_rates(
    treated: Iterable[TreatedPart],
    *,
    axes: Collection[Axis] = tuple(Axis),
    reactions: Sequence[ObservationKind] = tuple(ObservationKind),
    level: float = 0.95,
) -> tuple[ReactionRate, ...]:
    """Rates of each reaction in each cell that was treated, in a fixed order.

    A patient counts once in a cell, with the reaction if it was ever seen there, so that the
    cases of an interval are independent. A reaction never seen anywhere in the chain is left out
    unless something was published of it for the cell. Raises InvalidInput for a bad level.
    """
    cells: dict[Cell, dict[str, set[ObservationKind]]] = {}
    counts: dict[Cell, int] = {}
    for part in treated:
        cell = _cell(part, axes=axes)
        cells.setdefault(cell, {}).setdefault(part.patient, set()).update(part.reactions)
        counts[cell] = counts.get(cell, 0) + 1
    seen = {kind for patients in cells.values() for kinds in patients.values() for kind in kinds}
    rates = []
    for cell in sorted(cells, key=_order):
        patients = cells[cell]
        for reaction in reactions:
            bands = _bands(reaction, cell=cell)
            if reaction not in seen and not bands:
                continue
            events = sum(reaction in kinds for kinds in patients.values())
            share = share_of(events, cases=len(patients), level=level)
            rates.append(
                ReactionRate(
                    reaction=reaction,
                    cell=cell,
                    treatments=counts[cell],
                    share=share,
                    published=tuple(BandComparison(band, compare(share, band)) for band in bands),
                )
            )
    return tuple(rates)


def compare(share: Share, band: PublishedBand) -> Comparison:
    """Whether the whole interval of a share lies below or above a published band."""
    if share.high < band.low:
        return Comparison.BELOW
    if share.low > band.high:
        return Comparison.ABOVE
    return Comparison.NOT_APART


def _cell(part: TreatedPart, *, axes: Collection[Axis]) -> Cell:
    return Cell(
        wavelength_nm=part.wavelength_nm if Axis.WAVELENGTH in axes else None,
        skin_type=part.skin_type if Axis.SKIN_TYPE in axes else None,
        colour=part.colour if Axis.COLOUR in axes else None,
    )


def _bands(reaction: ObservationKind, *, cell: Cell) -> list[PublishedBand]:
    return [
        band
        for band in BY_REACTION[reaction]
        if band.speaks_of(reaction, wavelength_nm=cell.wavelength_nm, skin_type=cell.skin_type)
    ]


def _order(cell: Cell) -> tuple[int, int, str]:
    return cell.wavelength_nm or 0, int(cell.skin_type or 0), cell.colour or ""
