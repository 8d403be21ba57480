"""The six-parameter scale for the number of laser sessions.

Source: Kirby W, Desai A, Desai T, Kartono F, Geeta P. J Clin Aesthet Dermatol 2009;2(3):32-37
(PMC2923953): retrospective, one practice, N = 100, score against sessions r = 0.757. The design
and the correlation are published and were read; the points of single levels are from memory and
must be checked against Table 1 of the paper before release.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import floor, isfinite

from courses.science.basis import CAUTION, Basis, Kind
from courses.science.errors import InvalidInput
from courses.vocabulary import BodySite, InkAmount, InkColour, Scarring, SkinType

DEFAULT_MULTIPLIER = 1.0
SHARE_TOLERANCE = 0.01

BASIS = Basis(
    id="session-scale.kirby-desai",
    version="1",
    source=(
        "Kirby et al. 2009, J Clin Aesthet Dermatol 2(3):32-37 (N = 100, r = 0.757); "
        "points of single levels from memory"
    ),
    kind=Kind.PUBLISHED,
)


class Parameter(StrEnum):
    """The six parameters, in the order of the scale."""

    SKIN_TYPE = "skin_type"
    LOCATION = "location"
    COLOUR = "colour"
    INK_AMOUNT = "ink_amount"
    SCARRING = "scarring"
    LAYERING = "layering"


class Location(StrEnum):
    """The five regions of the body that the scale tells apart."""

    HEAD_NECK = "head_neck"
    UPPER_TRUNK = "upper_trunk"
    LOWER_TRUNK = "lower_trunk"
    PROXIMAL_EXTREMITY = "proximal_extremity"
    DISTAL_EXTREMITY = "distal_extremity"


class ColourLevel(StrEnum):
    """The four levels of colour of the scale."""

    BLACK_ONLY = "black_only"
    MOSTLY_BLACK_SOME_RED = "mostly_black_some_red"
    MOSTLY_BLACK_AND_RED = "mostly_black_and_red"
    MULTIPLE = "multiple"


class Layering(StrEnum):
    """Whether the tattoo covers an older one."""

    NONE = "none"
    LAYERED = "layered"


POINTS: Mapping[Parameter, Mapping[StrEnum | SkinType, int]] = {
    Parameter.SKIN_TYPE: {skin_type: int(skin_type) for skin_type in SkinType},
    Parameter.LOCATION: {location: n for n, location in enumerate(Location, start=1)},
    Parameter.COLOUR: {level: n for n, level in enumerate(ColourLevel, start=1)},
    Parameter.INK_AMOUNT: {amount: n for n, amount in enumerate(InkAmount, start=1)},
    Parameter.SCARRING: {
        Scarring.NONE: 0,
        Scarring.MINIMAL: 1,
        Scarring.MODERATE: 3,
        Scarring.SIGNIFICANT: 5,
    },
    Parameter.LAYERING: {Layering.NONE: 0, Layering.LAYERED: 2},
}

REGION: Mapping[BodySite, Location] = {
    BodySite.HEAD: Location.HEAD_NECK,
    BodySite.NECK: Location.HEAD_NECK,
    BodySite.UPPER_TRUNK: Location.UPPER_TRUNK,
    BodySite.LOWER_TRUNK: Location.LOWER_TRUNK,
    BodySite.UPPER_ARM: Location.PROXIMAL_EXTREMITY,
    BodySite.THIGH: Location.PROXIMAL_EXTREMITY,
    BodySite.FOREARM: Location.DISTAL_EXTREMITY,
    BodySite.HAND: Location.DISTAL_EXTREMITY,
    BodySite.LOWER_LEG: Location.DISTAL_EXTREMITY,
    BodySite.FOOT: Location.DISTAL_EXTREMITY,
}

MIN_TOTAL = sum(min(levels.values()) for levels in POINTS.values())
MAX_TOTAL = sum(max(levels.values()) for levels in POINTS.values())


@dataclass(frozen=True, slots=True)
class ScaleInput:
    """One level for each parameter of the scale."""

    skin_type: SkinType
    location: Location
    colour: ColourLevel
    ink_amount: InkAmount
    scarring: Scarring
    layered: bool


@dataclass(frozen=True, slots=True)
class ParameterScore:
    """One parameter, the level chosen and the points it gives."""

    parameter: Parameter
    level: str
    points: int


@dataclass(frozen=True, slots=True)
class ScaleResult:
    """The score with every parameter shown; `sessions` = multiplier x total."""

    parameters: tuple[ParameterScore, ...]
    total: int
    multiplier: float
    sessions: float
    whole_sessions: int
    basis: tuple[Basis, ...] = (BASIS,)
    caution: str = CAUTION

    def points(self, parameter: Parameter) -> int:
        """The points that `parameter` gave."""
        return next(score.points for score in self.parameters if score.parameter is parameter)


def score(levels: ScaleInput, *, multiplier: float = DEFAULT_MULTIPLIER) -> ScaleResult:
    """Score a tattoo by its levels: total 4 to 26, sessions = `multiplier` x total.

    The published use is a multiplier of 1; a cohort of 2024 (n = 11, J Cosmet Dermatol
    23:818-823) found 0.51. Raises InvalidInput for a multiplier that is not above 0.
    """
    chosen: dict[Parameter, StrEnum | SkinType] = {
        Parameter.SKIN_TYPE: levels.skin_type,
        Parameter.LOCATION: levels.location,
        Parameter.COLOUR: levels.colour,
        Parameter.INK_AMOUNT: levels.ink_amount,
        Parameter.SCARRING: levels.scarring,
        Parameter.LAYERING: Layering.LAYERED if levels.layered else Layering.NONE,
    }
    return _result(
        [_parameter_score(parameter, level=level) for parameter, level in chosen.items()],
        multiplier=multiplier,
    )


def score_points(
    points: Mapping[Parameter, int], *, multiplier: float = DEFAULT_MULTIPLIER
) -> ScaleResult:
    """Score a tattoo from points that a person wrote down.

    Raises InvalidInput when a parameter is missing or has points that the scale does not know
    (scarring 2 or 4, layering 1, location 6, colour 5 and the like).
    """
    scores = []
    for parameter in Parameter:
        if parameter not in points:
            raise InvalidInput(
                field=parameter.value,
                rule="scale-parameter-missing",
                message=f"The scale needs points for {parameter.value}.",
            )
        scores.append(_parameter_score_of_points(parameter, points=points[parameter]))
    return _result(scores, multiplier=multiplier)


def location_of(site: BodySite) -> Location:
    """The region of the scale in which a body site lies.

    Proximal is upper arm and thigh, distal forearm, hand, lower leg and foot (from memory).
    """
    return REGION[BodySite(site)]


def colour_level(shares: Mapping[InkColour, float]) -> ColourLevel:
    """The colour level of a tattoo from the share of its area that each colour takes.

    Blue-black counts as black. The published levels name only tattoos that are mostly black (and
    red); a tattoo of one other colour has no level of its own and is put with `multiple`, the
    cautious reading (proposal). Raises InvalidInput when shares do not sum to 1 (within 0.01).
    """
    check_shares(list(shares.values()), field="shares")
    black = shares.get(InkColour.BLACK, 0.0) + shares.get(InkColour.BLUE_BLACK, 0.0)
    red = shares.get(InkColour.RED, 0.0)
    present = {colour for colour, share in shares.items() if share > 0}
    others = present - {InkColour.BLACK, InkColour.BLUE_BLACK, InkColour.RED}
    if not others and not red:
        return ColourLevel.BLACK_ONLY
    if not others and black > red:
        return ColourLevel.MOSTLY_BLACK_SOME_RED
    if others and red and black and black + red > 0.5:
        return ColourLevel.MOSTLY_BLACK_AND_RED
    return ColourLevel.MULTIPLE


def check_shares(shares: Collection[float], *, field: str) -> None:
    """Raise InvalidInput unless every share is above 0, at most 1, and all sum to 1 +- 0.01."""
    if not shares:
        raise InvalidInput(field=field, rule="shares-missing", message="Name at least one part.")
    for share in shares:
        if not isfinite(share) or not 0 < share <= 1:
            raise InvalidInput(
                field=field,
                rule="share-range",
                message=f"A share must be above 0 and at most 1, not {share:g}.",
            )
    total = sum(shares)
    if abs(total - 1) > SHARE_TOLERANCE:
        raise InvalidInput(
            field=field,
            rule="shares-sum",
            message=f"The shares of the parts must sum to 1, not {total:g}.",
        )


def _parameter_score(parameter: Parameter, *, level: StrEnum | SkinType) -> ParameterScore:
    points = POINTS[parameter].get(level)
    if points is None:
        raise InvalidInput(
            field=parameter.value,
            rule="scale-level-unknown",
            message=f"{level!r} is not a level of {parameter.value}.",
        )
    return ParameterScore(
        parameter=parameter, level=_label(parameter, points=points), points=points
    )


def _parameter_score_of_points(parameter: Parameter, *, points: int) -> ParameterScore:
    known = sorted(POINTS[parameter].values())
    if points not in known:
        raise InvalidInput(
            field=parameter.value,
            rule="scale-points-unknown",
            message=f"{parameter.value} takes {', '.join(map(str, known))} points, not {points}.",
        )
    return ParameterScore(
        parameter=parameter, level=_label(parameter, points=points), points=points
    )


def _label(parameter: Parameter, *, points: int) -> str:
    level = next(level for level, value in POINTS[parameter].items() if value == points)
    return level.name if isinstance(level, SkinType) else level.value


def _result(scores: list[ParameterScore], *, multiplier: float) -> ScaleResult:
    check_multiplier(multiplier)
    total = sum(score.points for score in scores)
    sessions = multiplier * total
    return ScaleResult(
        parameters=tuple(scores),
        total=total,
        multiplier=multiplier,
        sessions=sessions,
        whole_sessions=max(1, floor(sessions + 0.5)),
    )


def check_multiplier(multiplier: float) -> None:
    """Raise InvalidInput unless the multiplier is above 0 and at most 3."""
    if not isfinite(multiplier) or not 0 < multiplier <= 3:
        raise InvalidInput(
            field="multiplier",
            rule="multiplier-range",
            message=f"The multiplier must be above 0 and at most 3, not {multiplier:g}.",
        )
