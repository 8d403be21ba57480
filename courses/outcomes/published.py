"""Published reaction rates, as wide bands to look at beside the chain's own."""

from collections.abc import Mapping
from dataclasses import dataclass

from courses.science.basis import Kind
from courses.vocabulary import ObservationKind, SkinType

NEAR_NM = 5


@dataclass(frozen=True, slots=True)
class PublishedBand:
    """Rates seen for a reaction, as fractions of patients; None means whatever it was.

    `setting` says how far the series is from an ordinary tattoo course.
    """

    id: str
    reaction: ObservationKind
    wavelength_nm: int | None
    skin_types: frozenset[SkinType] | None
    low: float
    high: float
    source: str
    setting: str
    kind: Kind

    def speaks_of(
        self, reaction: ObservationKind, *, wavelength_nm: int | None, skin_type: SkinType | None
    ) -> bool:
        """Whether the band is of this reaction, line and skin (None: not told apart)."""
        if self.reaction is not reaction:
            return False
        if self.wavelength_nm is not None and (
            wavelength_nm is None or abs(wavelength_nm - self.wavelength_nm) > NEAR_NM
        ):
            return False
        return self.skin_types is None or skin_type in self.skin_types


def _band(  # noqa: PLR0913 - one row of the table below
    reaction: ObservationKind,
    rates: tuple[float, float],
    source: str,
    *,
    name: str,
    nm: int | None = None,
    skin: frozenset[SkinType] | None = None,
    setting: str = "tattoos",
    kind: Kind = Kind.PUBLISHED,
) -> PublishedBand:
    return PublishedBand(
        id=f"reaction.{name}",
        reaction=reaction,
        wavelength_nm=nm,
        skin_types=skin,
        low=rates[0],
        high=rates[1],
        source=source,
        setting=setting,
        kind=kind,
    )


_LEUENBERGER = "Leuenberger 1999, Dermatol Surg 25:10 (42 blue-black tattoos)"
_FITZPATRICK = "Fitzpatrick & Goldman 1994, Arch Dermatol 130:1508"
_TYPE_V = "Type V amateur tattoos, 755 nm, n = 100, PMID 20964571"
_SERIES_1064 = "Two Thai programmes 2012 (n = 115, 78) and a Brazilian series (n = 304)"
_FIVE = frozenset({SkinType.V})

BANDS: tuple[PublishedBand, ...] = (
    _band(
        ObservationKind.PIGMENT_LOSS,
        (0.38, 0.38),
        _LEUENBERGER,
        name="pigment-loss-694",
        nm=694,
        setting="lasting; percentage from memory",
        kind=Kind.MEMORY,
    ),
    _band(
        ObservationKind.PIGMENT_LOSS,
        (0.02, 0.50),
        f"{_LEUENBERGER} 2 %, from memory; {_FITZPATRICK} about 50 %",
        name="pigment-loss-755",
        nm=755,
        setting="lasting 2 %, transient about 50 %",
    ),
    _band(
        ObservationKind.PIGMENT_LOSS,
        (0.29, 0.29),
        _TYPE_V,
        name="pigment-loss-755-type-v",
        nm=755,
        skin=_FIVE,
    ),
    _band(
        ObservationKind.HYPERPIGMENTATION,
        (0.38, 0.38),
        _TYPE_V,
        name="hyperpigmentation-755-type-v",
        nm=755,
        skin=_FIVE,
    ),
    _band(
        ObservationKind.PIGMENT_LOSS,
        (0.0, 0.3355),
        f"{_SERIES_1064}; {_LEUENBERGER}",
        name="pigment-loss-1064",
        nm=1064,
    ),
    _band(
        ObservationKind.HYPERPIGMENTATION,
        (0.03, 0.088),
        "Two Thai programmes 2012 (n = 115, 78)",
        name="hyperpigmentation-1064",
        nm=1064,
    ),
    _band(
        ObservationKind.HYPERPIGMENTATION,
        (0.203, 0.203),
        "Kang 2017, Korean lentigines, n = 516",
        name="hyperpigmentation-532",
        nm=532,
        setting="brown spots, not tattoos",
    ),
    _band(
        ObservationKind.BLISTER,
        (0.32, 0.32),
        "Au 2015, picosecond 755 nm (26 patients of a chart review)",
        name="blister-755",
        nm=755,
        setting="picosecond pulses; secondary account",
    ),
    _band(
        ObservationKind.BLISTER,
        (0.05, 0.35),
        "Range of reviews, from memory",
        name="blister-any",
        kind=Kind.MEMORY,
    ),
    _band(
        ObservationKind.TEXTURE_CHANGE,
        (0.114, 0.41),
        "Two Thai programmes 2012 (n = 115, 78)",
        name="texture-1064",
        nm=1064,
    ),
    _band(
        ObservationKind.TEXTURE_CHANGE,
        (0.12, 0.12),
        _FITZPATRICK,
        name="texture-755",
        nm=755,
        setting="transient",
    ),
    _band(
        ObservationKind.SCAR,
        (0.0006, 0.24),
        "Kirby 2016, JCAD 9(5):43 (3 of 1041) to Klein 2014 (lay clients, n = 157)",
        name="scar-any",
        setting="definitions and settings differ widely",
    ),
    _band(
        ObservationKind.INFECTION_SIGN,
        (0.0, 0.02),
        "Below 1 to 2 %, from memory",
        name="infection-any",
        kind=Kind.MEMORY,
    ),
    _band(
        ObservationKind.DARKENING,
        (0.113, 0.275),
        "Brow tattoos 2021, immediate grey in 18 of 98",
        name="darkening-brows",
        setting="cosmetic brow inks only; exact interval derived",
    ),
)

BY_REACTION: Mapping[ObservationKind, tuple[PublishedBand, ...]] = {
    reaction: tuple(band for band in BANDS if band.reaction is reaction)
    for reaction in ObservationKind
}
