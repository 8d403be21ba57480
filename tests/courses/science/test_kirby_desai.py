"""The six-parameter scale: levels, colour and location, refusals."""

import pytest

from courses.science.errors import InvalidInput
from courses.science.kirby_desai import (
    ColourLevel,
    Location,
    Parameter,
    ScaleInput,
    colour_level,
    location_of,
    score,
    score_points,
)
from courses.vocabulary import BodySite, InkAmount, InkColour, Scarring, SkinType

PLAIN = ScaleInput(
    skin_type=SkinType.III,
    location=Location.HEAD_NECK,
    colour=ColourLevel.BLACK_ONLY,
    ink_amount=InkAmount.AMATEUR,
    scarring=Scarring.NONE,
    layered=False,
)


def test_shows_each_parameter_with_level_and_points():
    result = score(PLAIN)

    shown = [(p.parameter, p.level, p.points) for p in result.parameters]
    assert shown == [
        (Parameter.SKIN_TYPE, "III", 3),
        (Parameter.LOCATION, "head_neck", 1),
        (Parameter.COLOUR, "black_only", 1),
        (Parameter.INK_AMOUNT, "amateur", 1),
        (Parameter.SCARRING, "none", 0),
        (Parameter.LAYERING, "none", 0),
    ]
    assert result.points(Parameter.SKIN_TYPE) == 3
    assert result.basis[0].id == "session-scale.kirby-desai"
    assert "clinician" in result.caution


def test_points_written_down_give_the_same_answer_as_levels():
    by_level = score(PLAIN, multiplier=0.8)

    by_points = score_points({p.parameter: p.points for p in by_level.parameters}, multiplier=0.8)

    assert by_points == by_level
    assert by_level.sessions == pytest.approx(4.8)
    assert by_level.whole_sessions == 5


def test_a_missing_parameter_is_named():
    points = {p.parameter: p.points for p in score(PLAIN).parameters}
    del points[Parameter.COLOUR]

    with pytest.raises(InvalidInput) as refusal:
        score_points(points)

    assert (refusal.value.field, refusal.value.rule) == ("colour", "scale-parameter-missing")


@pytest.mark.parametrize("multiplier", [0.0, -1.0, 3.1, float("nan"), float("inf")])
def test_refuses_a_multiplier_out_of_range(multiplier):
    with pytest.raises(InvalidInput) as refusal:
        score(PLAIN, multiplier=multiplier)

    assert refusal.value.field == "multiplier"


def test_every_site_has_a_region():
    regions = {site: location_of(site) for site in BodySite}

    assert set(regions.values()) == set(Location)
    assert regions[BodySite.THIGH] is Location.PROXIMAL_EXTREMITY
    assert regions[BodySite.HAND] is Location.DISTAL_EXTREMITY


@pytest.mark.parametrize(
    ("shares", "level"),
    [
        ({InkColour.BLACK: 1.0}, ColourLevel.BLACK_ONLY),
        ({InkColour.BLACK: 0.4, InkColour.BLUE_BLACK: 0.6}, ColourLevel.BLACK_ONLY),
        ({InkColour.BLACK: 0.8, InkColour.RED: 0.2}, ColourLevel.MOSTLY_BLACK_SOME_RED),
        ({InkColour.BLACK: 0.3, InkColour.RED: 0.7}, ColourLevel.MULTIPLE),
        (
            {InkColour.BLACK: 0.5, InkColour.RED: 0.2, InkColour.GREEN: 0.3},
            ColourLevel.MOSTLY_BLACK_AND_RED,
        ),
        ({InkColour.BLACK: 0.6, InkColour.GREEN: 0.4}, ColourLevel.MULTIPLE),
        ({InkColour.GREEN: 1.0}, ColourLevel.MULTIPLE),
    ],
)
def test_colour_level_follows_the_shares(shares, level):
    assert colour_level(shares) is level


@pytest.mark.parametrize(
    ("shares", "rule"),
    [
        ({}, "shares-missing"),
        ({InkColour.BLACK: 0.5}, "shares-sum"),
        ({InkColour.BLACK: 0.7, InkColour.RED: 0.5}, "shares-sum"),
        ({InkColour.BLACK: 1.0, InkColour.RED: 0.0}, "share-range"),
        ({InkColour.BLACK: float("nan")}, "share-range"),
    ],
)
def test_shares_that_do_not_make_a_whole_are_refused(shares, rule):
    with pytest.raises(InvalidInput) as refusal:
        colour_level(shares)

    assert refusal.value.rule == rule
