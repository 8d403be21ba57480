"""Which wavelengths the visible parts of a tattoo need, and how given laser lines rank.

Skin types IV to VI: 1064 nm first wherever the ink answers it at all. Everything else comes from
the ink table and is shown with grade, source and warnings. Ranking, never settings.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from courses.science.basis import CAUTION, Basis, Kind
from courses.science.errors import InvalidInput
from courses.science.ink_cautions import (
    DARKER,
    FIRST_FOR_DARKER_NM,
    NO_WAVELENGTH,
    InkCaution,
    colour_cautions,
    ink_cautions,
)
from courses.science.ink_table import INK_TABLE, POINTS, TABLE_VERSION, Grade
from courses.vocabulary import InkColour, SkinType

BASIS = Basis(
    id="ink-wavelength",
    version=TABLE_VERSION,
    source="Kilmer 1993, Leuenberger 1999, Bernstein 2018, Choi 2018, Baleisis 2023; cells "
    "marked memory from textbook tables",
    kind=Kind.PUBLISHED,
)
USABLE = frozenset({Grade.FIRST, Grade.WORKS, Grade.PARTIAL})
GOOD = frozenset({Grade.FIRST, Grade.WORKS})
DARK_INKS = frozenset({InkColour.BLACK, InkColour.BLUE_BLACK, InkColour.DARK_BLUE})
DARKEST_SKIN = frozenset({SkinType.V, SkinType.VI})


@dataclass(frozen=True, slots=True)
class InkPart:
    """One part of a tattoo: its colour, its share of the area (0..1], whether it is still seen.

    `cosmetic`: permanent make-up, whose inks may darken whatever their colour. `key` is the
    caller's name for the part.
    """

    colour: InkColour
    share: float = 1.0
    visible: bool = True
    cosmetic: bool = False
    key: str = ""

    def __post_init__(self) -> None:
        """Raise InvalidInput for an unknown colour or a share outside (0, 1]."""
        if self.colour not in INK_TABLE:
            raise InvalidInput(
                field="parts.colour",
                rule="colour-unknown",
                message=f"There is no ink colour {self.colour!r}.",
            )
        if not 0 < self.share <= 1:
            raise InvalidInput(
                field="parts.share",
                rule="share-range",
                message=f"A share must be above 0 and at most 1, not {self.share}.",
            )


@dataclass(frozen=True, slots=True)
class WavelengthChoice:
    """One wavelength for one colour; `rank` counts from 1, best first.

    `grade` is for nanosecond pulses, `picosecond_grade` for picosecond ones; the rank takes the
    better of the two.
    """

    wavelength_nm: int
    rank: int
    grade: Grade
    picosecond_grade: Grade
    clearance: float | None
    cautions: tuple[InkCaution, ...]
    source: str
    kind: Kind

    @property
    def best_grade(self) -> Grade:
        """The better of the two grades."""
        return max(self.grade, self.picosecond_grade, key=lambda grade: POINTS[grade])

    @property
    def usable(self) -> bool:
        """Whether the ink answers at all."""
        return self.best_grade in USABLE

    @property
    def test_spot(self) -> bool:
        """Whether a warning asks for a test spot first."""
        return any(caution.test_spot for caution in self.cautions)

    @property
    def clinician(self) -> bool:
        """Whether a warning asks for a physician first."""
        return any(caution.clinician for caution in self.cautions)


@dataclass(frozen=True, slots=True)
class ColourNeed:
    """What one colour needs: all wavelengths, best first, those that do nothing last."""

    colour: InkColour
    share: float
    keys: tuple[str, ...]
    cosmetic: bool
    choices: tuple[WavelengthChoice, ...]
    cautions: tuple[InkCaution, ...]
    basis: tuple[Basis, ...] = (BASIS,)
    caution: str = CAUTION

    @property
    def treatable(self) -> bool:
        """Whether any wavelength is known to act on this ink."""
        return any(choice.usable for choice in self.choices)

    @property
    def test_spot(self) -> bool:
        """Whether what would be used, or the lack of it, asks for a test spot."""
        return any(caution.test_spot for caution in self._in_play())

    @property
    def clinician(self) -> bool:
        """Whether what would be used, or the lack of it, asks for a physician."""
        return any(caution.clinician for caution in self._in_play())

    def _in_play(self) -> tuple[InkCaution, ...]:
        """Warnings of the first choice, and of the best-graded one where the first is partial."""
        usable = [choice for choice in self.choices if choice.usable]
        chosen = usable[:1]
        if chosen and chosen[0].best_grade is Grade.PARTIAL:
            chosen.append(max(usable, key=lambda choice: POINTS[choice.best_grade]))
        return (*self.cautions, *(caution for choice in chosen for caution in choice.cautions))


@dataclass(frozen=True, slots=True)
class Requirement:
    """The wavelengths (nm, best first) that would serve one colour; empty when none does."""

    colour: InkColour
    share: float
    keys: tuple[str, ...]
    wavelengths_nm: tuple[int, ...]
    test_spot: bool
    clinician: bool


def colour_needs(
    parts: Sequence[InkPart], skin_type: SkinType, *, tanned: bool = False
) -> tuple[ColourNeed, ...]:
    """What each colour still visible needs, largest share first.

    `tanned` skin is read as one type higher (from memory; better: wait). Raises InvalidInput
    without parts or for an unknown skin type. All parts gone: an empty answer.
    """
    skin = effective_skin_type(skin_type, tanned=tanned)
    if not parts:
        raise InvalidInput(field="parts", rule="parts-missing", message="Name at least one part.")
    grouped: dict[InkColour, list[InkPart]] = {}
    for part in parts:
        if part.visible:
            grouped.setdefault(part.colour, []).append(part)
    needs = [_need(colour, parts=group, skin_type=skin) for colour, group in grouped.items()]
    return tuple(sorted(needs, key=lambda need: -need.share))


def required_wavelengths(
    parts: Sequence[InkPart], skin_type: SkinType, *, tanned: bool = False
) -> tuple[Requirement, ...]:
    """For each visible colour the wavelengths of which one is needed, best first.

    Wavelengths that only partly work are left out where a better one exists, except 1064 nm for
    skin types IV to VI; 694 nm is left out for type IV where there is another. Dark ink on types
    V and VI: 1064 nm only. Raises InvalidInput as colour_needs does.
    """
    skin = effective_skin_type(skin_type, tanned=tanned)
    return tuple(
        Requirement(
            colour=need.colour,
            share=need.share,
            keys=need.keys,
            wavelengths_nm=_acceptable(need, skin_type=skin),
            test_spot=need.test_spot,
            clinician=need.clinician,
        )
        for need in colour_needs(parts, skin)
    )


def fewest_wavelengths(requirements: Iterable[Requirement]) -> tuple[int, ...]:
    """The smallest set of wavelengths (nm, sorted) that serves every colour that any can serve.

    Among sets of one size, the one whose wavelengths rank best for the colours.
    """
    wanted = [need.wavelengths_nm for need in requirements if need.wavelengths_nm]
    offered = sorted({nm for wavelengths in wanted for nm in wavelengths})
    for size in range(len(offered) + 1):
        covering = [
            chosen
            for chosen in combinations(offered, size)
            if all(any(nm in wavelengths for nm in chosen) for wavelengths in wanted)
        ]
        if covering:
            return min(covering, key=lambda chosen: _total_rank(wanted, chosen=chosen))
    return ()


def effective_skin_type(skin_type: SkinType, *, tanned: bool = False) -> SkinType:
    """The skin type to reckon with: a tan counts as one type more. Raises InvalidInput."""
    try:
        known = SkinType(skin_type)
    except ValueError as error:
        raise InvalidInput(
            field="skin_type",
            rule="skin-type-unknown",
            message=f"Skin types are I to VI, not {skin_type!r}.",
        ) from error
    return SkinType(min(known + 1, SkinType.VI)) if tanned else known


def _need(colour: InkColour, *, parts: list[InkPart], skin_type: SkinType) -> ColourNeed:
    cosmetic = any(part.cosmetic for part in parts)
    unranked = [
        WavelengthChoice(
            wavelength_nm=nm,
            rank=0,
            grade=entry.grade,
            picosecond_grade=entry.grade_for(picosecond=True),
            clearance=entry.clearance,
            cautions=ink_cautions(colour, nominal_nm=nm, skin_type=skin_type, cosmetic=cosmetic),
            source=entry.source,
            kind=entry.kind,
        )
        for nm, entry in INK_TABLE[colour].items()
    ]
    ordered = sorted(unranked, key=lambda choice: _order(choice, skin_type=skin_type))
    cautions = colour_cautions(colour, cosmetic=cosmetic)
    if not any(choice.usable for choice in unranked):
        cautions = (NO_WAVELENGTH, *cautions)
    return ColourNeed(
        colour=colour,
        share=min(1.0, sum(part.share for part in parts)),
        keys=tuple(part.key for part in parts),
        cosmetic=cosmetic,
        choices=tuple(replace(choice, rank=rank) for rank, choice in enumerate(ordered, start=1)),
        cautions=cautions,
    )


def _order(choice: WavelengthChoice, *, skin_type: SkinType) -> tuple[bool, bool, bool, int]:
    darker = skin_type in DARKER
    first = darker and choice.wavelength_nm == FIRST_FOR_DARKER_NM
    avoided = skin_type is SkinType.IV and choice.wavelength_nm == 694
    return (not choice.usable, not first, avoided, -POINTS[choice.best_grade])


def _acceptable(need: ColourNeed, *, skin_type: SkinType) -> tuple[int, ...]:
    usable = [choice for choice in need.choices if choice.usable]
    if need.colour in DARK_INKS and skin_type in DARKEST_SKIN:
        return (FIRST_FOR_DARKER_NM,)
    if skin_type is SkinType.IV and len(usable) > 1:
        usable = [choice for choice in usable if choice.wavelength_nm != 694]
    good = [choice for choice in usable if choice.best_grade in GOOD]
    kept = [
        choice
        for choice in usable
        if not good
        or choice in good
        or (skin_type in DARKER and choice.wavelength_nm == FIRST_FOR_DARKER_NM)
    ]
    return tuple(choice.wavelength_nm for choice in kept)


def _total_rank(wanted: list[tuple[int, ...]], *, chosen: tuple[int, ...]) -> int:
    return sum(
        min(wavelengths.index(nm) for nm in chosen if nm in wavelengths) for wavelengths in wanted
    )
