"""Body surface and how large a tattoo can be.

Body surface: Mosteller 1987, sqrt(cm x kg / 3600); Du Bois 1916, 0.007184 kg^0.425 cm^0.725.
Parts of it: Lund & Browder 1944 (head, thigh and lower leg read, the rest from memory; columns
sum to 100) and the rule of nines. Hand: Rhodes 2013, Br J Dermatol 169:76 (palm and fingers
0.87 %, palm alone 0.5 % in adults). Measured area is better than hands.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite, sqrt

from courses.science.basis import CAUTION, Basis, Kind
from courses.science.errors import InvalidInput
from courses.vocabulary import BodySite

CM2_PER_M2 = 10_000.0
HAND_PERCENT = 0.87
PALM_PERCENT = 0.5
LARGEST_BODY_M2 = 2.5
SMALLEST_AREA_CM2 = 0.01
HEIGHT_RANGE_CM = (40.0, 260.0)
WEIGHT_RANGE_KG = (2.0, 400.0)

BODY_BASIS = Basis(
    id="area.body-surface",
    version="1",
    source="Mosteller 1987; Du Bois 1916",
    kind=Kind.PUBLISHED,
)
SITE_BASIS = Basis(
    id="area.site-share",
    version="1",
    source="Lund & Browder 1944, adult; parts other than head, thigh and lower leg from memory",
    kind=Kind.MEMORY,
)


class Region(StrEnum):
    """The regions of the Lund-Browder chart; limbs on one side of the body."""

    HEAD = "head"
    NECK = "neck"
    TRUNK = "trunk"
    UPPER_ARM = "upper_arm"
    FOREARM = "forearm"
    HAND = "hand"
    BUTTOCK = "buttock"
    GENITAL = "genital"
    THIGH = "thigh"
    LOWER_LEG = "lower_leg"
    FOOT = "foot"


# Percent of the body on one face (front or back) of one region; by age where it depends on it.
HALF_BY_AGE: Mapping[Region, Mapping[int, float]] = {
    Region.HEAD: {0: 9.5, 1: 8.5, 5: 6.5, 10: 5.5, 15: 4.5, 18: 3.5},
    Region.THIGH: {0: 2.75, 1: 3.25, 5: 4, 10: 4.25, 15: 4.5, 18: 4.75},
    Region.LOWER_LEG: {0: 2.5, 1: 2.5, 5: 2.75, 10: 3, 15: 3.25, 18: 3.5},
}
HALF_FIXED: Mapping[Region, float] = {
    Region.NECK: 1,
    Region.TRUNK: 13,
    Region.UPPER_ARM: 2,
    Region.FOREARM: 1.5,
    Region.HAND: 1.25,
    Region.FOOT: 1.75,
}
WHOLE_FIXED: Mapping[Region, float] = {Region.BUTTOCK: 2.5, Region.GENITAL: 1}
PAIRED = frozenset(
    {
        Region.UPPER_ARM,
        Region.FOREARM,
        Region.HAND,
        Region.BUTTOCK,
        Region.THIGH,
        Region.LOWER_LEG,
        Region.FOOT,
    }
)
AGES = (0, 1, 5, 10, 15, 18)

RULE_OF_NINES: Mapping[str, float] = {
    "head_and_neck": 9,
    "left_arm": 9,
    "right_arm": 9,
    "left_leg": 18,
    "right_leg": 18,
    "trunk_front": 18,
    "trunk_back": 18,
    "perineum": 1,
}


class BodyFormula(StrEnum):
    """Formulas of body surface."""

    MOSTELLER = "mosteller"
    DU_BOIS = "du_bois"


@dataclass(frozen=True, slots=True)
class AreaCheck:
    """How an area stands to the body and to its site. `warning` is empty when it fits."""

    area_cm2: float
    body_percent: float
    hands: float
    site_limit_cm2: float
    warning: str
    basis: tuple[Basis, ...] = (BODY_BASIS, SITE_BASIS)
    caution: str = CAUTION


def body_surface_m2(
    height_cm: float, *, weight_kg: float, formula: BodyFormula = BodyFormula.MOSTELLER
) -> float:
    """Body surface in m2 from height and weight. Raises InvalidInput for what no body has."""
    _within(height_cm, name="height_cm", limits=HEIGHT_RANGE_CM)
    _within(weight_kg, name="weight_kg", limits=WEIGHT_RANGE_KG)
    if formula is BodyFormula.DU_BOIS:
        return float(0.007184 * weight_kg**0.425 * height_cm**0.725)
    return sqrt(height_cm * weight_kg / 3600)


def percent_to_cm2(percent: float, *, body_m2: float) -> float:
    """cm2 of so many percent of a body surface. Raises InvalidInput."""
    _within(percent, name="percent", limits=(0.0, 100.0))
    _within(body_m2, name="body_m2", limits=(0.1, LARGEST_BODY_M2 * 2))
    return percent / 100 * body_m2 * CM2_PER_M2


def hands_to_cm2(hands: float, *, body_m2: float, palm_only: bool = False) -> float:
    """cm2 of so many hands of an adult: palm and fingers 0.87 %, palm alone 0.5 % of the body.

    Raises InvalidInput for more hands than a body has.
    """
    percent = PALM_PERCENT if palm_only else HAND_PERCENT
    _within(hands, name="hands", limits=(0.0, 100 / percent))
    return percent_to_cm2(hands * percent, body_m2=body_m2)


def region_percent(region: Region, *, age_years: float = 18.0) -> float:
    """Percent of the body that one region has (one limb, front and back), by Lund & Browder.

    The column of the youngest age in the chart that is not above `age_years`. Raises
    InvalidInput for an age below 0.
    """
    if not isfinite(age_years) or age_years < 0:
        raise InvalidInput(field="age_years", rule="age-range", message="Ages start at 0.")
    if region in WHOLE_FIXED:
        return WHOLE_FIXED[region]
    if region in HALF_FIXED:
        return 2 * HALF_FIXED[region]
    column = max(age for age in AGES if age <= age_years)
    return 2 * HALF_BY_AGE[region][column]


def site_percent(site: BodySite, *, age_years: float = 18.0) -> float:
    """Percent of the body that a site has; one limb; the trunk is halved, buttocks below.

    Upper and lower trunk as halves of the trunk: proposal.
    """
    if site is BodySite.UPPER_TRUNK:
        return region_percent(Region.TRUNK) / 2
    if site is BodySite.LOWER_TRUNK:
        below = 2 * WHOLE_FIXED[Region.BUTTOCK] + WHOLE_FIXED[Region.GENITAL]
        return region_percent(Region.TRUNK) / 2 + below
    return region_percent(Region(site.value), age_years=age_years)


def check_area(
    area_cm2: float,
    *,
    site: BodySite,
    body_m2: float | None = None,
    age_years: float = 18.0,
) -> AreaCheck:
    """Whether a tattoo of `area_cm2` can be on one such site.

    `body_m2` None: the largest plausible body, 2.5 m2. An area of 0 or beyond the body raises
    InvalidInput; one beyond the site is a warning, since a tattoo may run on.
    """
    body = LARGEST_BODY_M2 if body_m2 is None else body_m2
    whole = percent_to_cm2(100, body_m2=body)
    if isinstance(area_cm2, bool) or not isfinite(area_cm2) or area_cm2 < SMALLEST_AREA_CM2:
        raise InvalidInput(
            field="area_cm2",
            rule="area-positive",
            message=f"An area is at least {SMALLEST_AREA_CM2:g} cm2, not {area_cm2}.",
        )
    if area_cm2 > whole:
        raise InvalidInput(
            field="area_cm2",
            rule="area-beyond-body",
            message=f"{area_cm2:g} cm2 is more than a whole body of {whole:.0f} cm2.",
        )
    limit = percent_to_cm2(site_percent(site, age_years=age_years), body_m2=body)
    name = site.value.replace("_", " ")
    return AreaCheck(
        area_cm2=area_cm2,
        body_percent=100 * area_cm2 / whole,
        hands=area_cm2 / hands_to_cm2(1, body_m2=body),
        site_limit_cm2=limit,
        warning=(
            f"{area_cm2:g} cm2 is more than one {name} has (about {limit:.0f} cm2)."
            if area_cm2 > limit
            else ""
        ),
    )


def lund_browder_total(*, age_years: float = 18.0) -> float:
    """The sum of all regions, both sides: 100 for every age of the chart."""
    return sum(
        region_percent(region, age_years=age_years) * (2 if region in PAIRED else 1)
        for region in Region
    )


def _within(value: float, *, name: str, limits: tuple[float, float]) -> None:
    low, high = limits
    if isinstance(value, bool) or not isfinite(value) or not low <= value <= high:
        raise InvalidInput(
            field=name,
            rule=f"{name.replace('_', '-')}-range",
            message=f"{name} is {low:g} to {high:g}, not {value}.",
        )
