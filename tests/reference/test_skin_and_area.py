"""Skin type, body surface and its parts. Rows FST-* and BSA-* of the clinical reference.

Beside each check: published (read), derived by arithmetic, or from memory.
"""

import pytest

from courses.science.area import (
    AGES,
    HALF_BY_AGE,
    HAND_PERCENT,
    PALM_PERCENT,
    RULE_OF_NINES,
    BodyFormula,
    Region,
    body_surface_m2,
    hands_to_cm2,
    lund_browder_total,
    percent_to_cm2,
    region_percent,
)
from courses.science.skin import (
    ITEMS,
    MAX_SCORE,
    skin_type_of_answers,
    skin_type_of_score,
    typology_angle_deg,
)
from courses.vocabulary import SkinType


@pytest.mark.parametrize(
    ("score", "skin_type"),
    [
        (0, "I"),
        (6, "I"),
        (7, "II"),
        (13, "II"),
        (14, "III"),
        (20, "III"),
        (21, "IV"),
        (27, "IV"),
        (28, "V"),
        (34, "V"),
        (35, "VI"),
        (40, "VI"),
    ],
)
def test_fst_01_classes_of_the_sum(score, skin_type):
    """Published: Fitzpatrick questionnaire of ten items, two sources."""
    assert skin_type_of_score(score) is SkinType[skin_type]


def test_fst_02_all_answers_at_the_top():
    """Derived: 10 items of 4 points."""
    result = skin_type_of_answers({item.key: 4 for item in ITEMS})

    assert (result.score, result.skin_type) == (40, SkinType.VI)
    assert MAX_SCORE == 40


@pytest.mark.parametrize(
    ("lightness", "yellow", "lowest", "highest"),
    [
        (75, 15, 55, 90),
        (65, 17, 41, 55),
        (60, 17, 28, 41),
        (55, 18, 10, 28),
        (45, 18, -30, 10),
        (30, 10, -90, -30),
    ],
)
def test_typology_angle_classes(lightness, yellow, lowest, highest):
    """Class limits 55, 41, 28, 10, -30 degrees: from memory. The L*, b* are our inputs."""
    assert lowest < typology_angle_deg(lightness, yellow=yellow) <= highest


def test_bsa_01_two_formulas():
    """Derived from Mosteller 1987 and Du Bois 1916: 170 cm, 70 kg."""
    assert body_surface_m2(170, weight_kg=70) == pytest.approx(1.8181, abs=1e-4)
    assert body_surface_m2(170, weight_kg=70, formula=BodyFormula.DU_BOIS) == pytest.approx(
        1.8097, abs=1e-4
    )


def test_bsa_02_rule_of_nines():
    """Published: adult; sums to 100."""
    assert sum(RULE_OF_NINES.values()) == 100
    assert RULE_OF_NINES["left_leg"] == 18


@pytest.mark.parametrize("age", AGES)
def test_bsa_03_lund_browder_sums_to_100(age):
    """Published 1944 (head, thigh, lower leg read; other parts from memory)."""
    assert lund_browder_total(age_years=age) == pytest.approx(100, abs=1e-9)


@pytest.mark.parametrize(
    ("region", "halves"),
    [
        (Region.HEAD, (9.5, 8.5, 6.5, 5.5, 4.5, 3.5)),
        (Region.THIGH, (2.75, 3.25, 4, 4.25, 4.5, 4.75)),
        (Region.LOWER_LEG, (2.5, 2.5, 2.75, 3, 3.25, 3.5)),
    ],
)
def test_lund_browder_columns(region, halves):
    """Published: Lund & Browder 1944, percent on one face."""
    assert tuple(HALF_BY_AGE[region].values()) == halves
    for age, half in zip(AGES, halves, strict=True):
        assert region_percent(region, age_years=age) == 2 * half


def test_bsa_05_a_hand():
    """Published: Rhodes 2013, Br J Dermatol 169:76: palm and fingers 0.87 %, palm 0.5 %."""
    assert (HAND_PERCENT, PALM_PERCENT) == (0.87, 0.5)
    body = body_surface_m2(170, weight_kg=70)
    assert hands_to_cm2(1, body_m2=body) == pytest.approx(158, abs=1)
    assert hands_to_cm2(1, body_m2=body, palm_only=True) == pytest.approx(91, abs=1)
    assert percent_to_cm2(1, body_m2=body) == pytest.approx(182, abs=0.5)
    assert 30 / percent_to_cm2(1, body_m2=body) == pytest.approx(0.165, abs=0.001)
