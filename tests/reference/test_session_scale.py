"""The six-parameter scale against its paper.

Source: Kirby W et al. J Clin Aesthet Dermatol 2009;2(3):32-37 (PMC2923953). Points of single
levels: from memory. Worked sums: derived from those points.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from courses.science.errors import InvalidInput
from courses.science.kirby_desai import (
    MAX_TOTAL,
    MIN_TOTAL,
    POINTS,
    ColourLevel,
    Location,
    Parameter,
    ScaleInput,
    location_of,
    score,
    score_points,
)
from courses.vocabulary import BodySite, InkAmount, Scarring, SkinType

# Derived: sums of the points of the scale. KD-03 and KD-04 agree with two secondary accounts.
WORKED = {
    "KD-01": (("I", "head_neck", "black_only", "amateur", "none", False), 4),
    "KD-02": (("VI", "distal_extremity", "multiple", "significant", "significant", True), 26),
    "KD-03": (("III", "head_neck", "black_only", "amateur", "none", False), 6),
    "KD-04": (("II", "upper_trunk", "multiple", "moderate", "none", False), 11),
    "KD-05": (("VI", "lower_trunk", "multiple", "minimal", "none", True), 17),
}


def _input(skin, location, colour, ink, scar, layered):
    return ScaleInput(
        skin_type=SkinType[skin],
        location=Location(location),
        colour=ColourLevel(colour),
        ink_amount=InkAmount(ink),
        scarring=Scarring(scar),
        layered=layered,
    )


@pytest.mark.parametrize("row", WORKED)
def test_worked_rows(row):
    levels, expected = WORKED[row]

    assert score(_input(*levels)).total == expected


def test_kd_01_and_02_are_the_ends_of_the_scale():
    assert (MIN_TOTAL, MAX_TOTAL) == (4, 26)


@pytest.mark.parametrize(
    ("parameter", "points"),
    [
        (Parameter.SCARRING, 2),
        (Parameter.SCARRING, 4),
        (Parameter.LAYERING, 1),
        (Parameter.LOCATION, 6),
        (Parameter.COLOUR, 5),
        (Parameter.SKIN_TYPE, 0),
        (Parameter.INK_AMOUNT, 5),
    ],
)
def test_kd_09_points_the_scale_does_not_know_are_refused(parameter, points):
    given_points = {p.parameter: p.points for p in score(_input(*WORKED["KD-04"][0])).parameters}

    with pytest.raises(InvalidInput) as refusal:
        score_points(given_points | {parameter: points})

    assert refusal.value.field == parameter.value
    assert refusal.value.rule == "scale-points-unknown"


@given(
    chosen=st.fixed_dictionaries(
        {p: st.sampled_from(sorted(POINTS[p].values())) for p in Parameter}
    ),
    parameter=st.sampled_from(list(Parameter)),
    multiplier=st.floats(0.3, 2.0),
)
def test_kd_10_one_level_more_never_means_fewer_sessions(chosen, parameter, multiplier):
    higher = [points for points in POINTS[parameter].values() if points > chosen[parameter]]
    before = score_points(chosen, multiplier=multiplier)

    for points in higher:
        after = score_points(chosen | {parameter: points}, multiplier=multiplier)
        assert after.sessions >= before.sessions


def test_kd_11_multiplier_of_the_2024_cohort():
    # Published: J Cosmet Dermatol 2024;23:818-823 (n = 11), mean actual 5.09, mean score 9.9.
    multiplier = 5.09 / 9.9

    assert multiplier == pytest.approx(0.514, abs=0.001)
    # Derived: a tattoo of 10 points needs 5.1 sessions at that multiplier.
    levels = _input("II", "upper_trunk", "multiple", "minimal", "none", False)
    assert score(levels, multiplier=multiplier).sessions == pytest.approx(5.14, abs=0.01)


@pytest.mark.parametrize(
    ("site", "region", "points"),
    [
        ("head", "head_neck", 1),
        ("neck", "head_neck", 1),
        ("upper_trunk", "upper_trunk", 2),
        ("lower_trunk", "lower_trunk", 3),
        # Proximal is upper arm and thigh, distal what lies beyond elbow and knee: from memory.
        ("upper_arm", "proximal_extremity", 4),
        ("thigh", "proximal_extremity", 4),
        ("forearm", "distal_extremity", 5),
        ("hand", "distal_extremity", 5),
        ("lower_leg", "distal_extremity", 5),
        ("foot", "distal_extremity", 5),
    ],
)
def test_regions_of_the_body_and_their_points(site, region, points):
    """Kirby et al. 2009, five regions; points from memory."""
    assert location_of(BodySite(site)) == Location(region)
    assert POINTS[Parameter.LOCATION][Location(region)] == points
