"""What to warn of when an ink, a wavelength and a skin type meet. Warnings, never settings."""

from collections.abc import Iterator
from dataclasses import dataclass

from courses.science.basis import Basis, Kind
from courses.science.ink_table import DARKENING_INKS, DARKENING_REPORTED
from courses.vocabulary import InkColour, SkinType

DARKER = frozenset({SkinType.IV, SkinType.V, SkinType.VI})
FIRST_FOR_DARKER_NM = 1064


@dataclass(frozen=True, slots=True)
class InkCaution:
    """One warning; `test_spot` and `clinician` say what it asks for before treatment."""

    code: str
    text: str
    test_spot: bool
    clinician: bool
    basis: Basis


def _caution(
    code: str,
    *,
    text: str,
    source: str,
    kind: Kind,
    test_spot: bool = False,
    clinician: bool = False,
) -> InkCaution:
    basis = Basis(id=f"ink.{code}", version="1", source=source, kind=kind)
    return InkCaution(code=code, text=text, test_spot=test_spot, clinician=clinician, basis=basis)


RED_532 = _caution(
    "red-532",
    text="Red ink under 532 nm blisters easily, and blistering raises the risk of lasting "
    "pigment loss. The end point is a faint haze, not full whitening.",
    source="rule of the trade",
    kind=Kind.COMMON_PRACTICE,
)
BLISTER_694 = _caution(
    "blister-694",
    text="Green and dark blue ink under 694 nm often blister even at the lowest setting. Tell "
    "the patient beforehand.",
    source="rule of the trade",
    kind=Kind.COMMON_PRACTICE,
)
DARKENING = _caution(
    "darkening",
    text="This ink may darken at once (rust to black, titania to grey). A test spot, looked at "
    "after the whitening has gone, comes first.",
    source="immediate grey in 18 of 98 eyebrow patients; Varma 2002; Dermatol Sinica 2001;19:324",
    kind=Kind.PUBLISHED,
    test_spot=True,
    clinician=True,
)
DARKENING_SEEN = _caution(
    "darkening-reported",
    text="Darkening of this colour has been reported.",
    source="Varma 2002 (532 nm)",
    kind=Kind.PUBLISHED,
)
NO_WAVELENGTH = _caution(
    "no-wavelength",
    text="No laser wavelength is known to clear this ink.",
    source="ink table",
    kind=Kind.PUBLISHED,
    test_spot=True,
    clinician=True,
)
DARKER_532 = _caution(
    "darker-skin-532",
    text="Skin type IV: 532 nm only on a small area or a test spot first.",
    source="rule of thumb, from memory",
    kind=Kind.MEMORY,
    test_spot=True,
)
DARKER_694 = _caution(
    "darker-skin-694",
    text="Skin type IV: 694 nm is avoided; lasting pigment loss is more frequent than with "
    "longer wavelengths.",
    source="Leuenberger 1999: lasting pigment loss 38 % at 694, 2 % at 755, 0 % at 1064 nm "
    "(percentages from memory)",
    kind=Kind.MEMORY,
    test_spot=True,
    clinician=True,
)
DARKER_755 = _caution(
    "darker-skin-755",
    text="Skin type IV: longer wavelengths are safer for the pigment; a test spot comes first.",
    source="Grevelink 1996 (n = 5): longer wavelength and test treatment for darker skin",
    kind=Kind.PUBLISHED,
    test_spot=True,
)
DARKEST = _caution(
    "darkest-skin",
    text="Skin types V and VI: high risk of changed pigment at this wavelength (755 nm, type V: "
    "29 % lighter, 38 % darker). Test spot and a physician first.",
    source="Grevelink 1996 (n = 5); 755 nm in type V, n = 100 (PMID 20964571)",
    kind=Kind.PUBLISHED,
    test_spot=True,
    clinician=True,
)


def ink_cautions(
    colour: InkColour, *, nominal_nm: int, skin_type: SkinType, cosmetic: bool
) -> tuple[InkCaution, ...]:
    """What to warn of for one ink at one wavelength on one skin type."""
    return (
        *_for_ink(colour, nominal_nm=nominal_nm, cosmetic=cosmetic),
        *_for_skin(skin_type, nominal_nm=nominal_nm),
    )


def colour_cautions(colour: InkColour, *, cosmetic: bool) -> tuple[InkCaution, ...]:
    """What to warn of for one ink at any wavelength."""
    if cosmetic or colour in DARKENING_INKS:
        return (DARKENING,)
    return (DARKENING_SEEN,) if colour in DARKENING_REPORTED else ()


def _for_ink(colour: InkColour, *, nominal_nm: int, cosmetic: bool) -> Iterator[InkCaution]:
    yield from colour_cautions(colour, cosmetic=cosmetic)
    if colour is InkColour.RED and nominal_nm == 532:
        yield RED_532
    if colour in {InkColour.GREEN, InkColour.DARK_BLUE} and nominal_nm == 694:
        yield BLISTER_694


def _for_skin(skin_type: SkinType, *, nominal_nm: int) -> Iterator[InkCaution]:
    if skin_type not in DARKER or nominal_nm == FIRST_FOR_DARKER_NM:
        return
    if skin_type is not SkinType.IV:
        yield DARKEST
    elif nominal_nm == 532:
        yield DARKER_532
    elif nominal_nm == 694:
        yield DARKER_694
    else:
        yield DARKER_755
