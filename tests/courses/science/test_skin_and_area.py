"""Skin type and area: what is refused, what is warned of, what a front end gets."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from courses.science.area import (
    BodyFormula,
    body_surface_m2,
    check_area,
    hands_to_cm2,
    region_percent,
    site_percent,
)
from courses.science.errors import InvalidInput
from courses.science.skin import (
    ITEMS,
    skin_questionnaire,
    skin_type_of_answers,
    skin_type_of_score,
    typology_angle_deg,
)
from courses.vocabulary import BodySite


@pytest.mark.parametrize("score", [-1, 41, 3.5, True])
def test_scores_outside_the_scale_are_refused(score):
    with pytest.raises(InvalidInput) as caught:
        skin_type_of_score(score)

    assert (caught.value.field, caught.value.rule) == ("score", "score-range")


@pytest.mark.parametrize(
    ("change", "field", "rule"),
    [
        ({"eyes": 5}, "answers.eyes", "points-range"),
        ({"eyes": True}, "answers.eyes", "points-range"),
        ({"nose": 1}, "answers.nose", "question-unknown"),
        ({"eyes": None}, "answers.eyes", "points-range"),
    ],
)
def test_answers_that_cannot_be_name_the_question(change, field, rule):
    answers = {item.key: 1 for item in ITEMS}

    with pytest.raises(InvalidInput) as caught:
        skin_type_of_answers(answers | change)

    assert (caught.value.field, caught.value.rule) == (field, rule)


def test_a_missing_answer_is_named():
    with pytest.raises(InvalidInput) as caught:
        skin_type_of_answers({item.key: 1 for item in ITEMS[:-1]})

    assert (caught.value.field, caught.value.rule) == ("answers.area_sun", "answer-missing")


@given(st.integers(0, 39))
def test_one_point_more_never_gives_a_lighter_type(score):
    assert skin_type_of_score(score + 1) >= skin_type_of_score(score)


def test_the_questionnaire_is_json_with_translation_keys():
    shown = json.loads(json.dumps(skin_questionnaire()))

    assert len(shown["items"]) == 10
    assert all(len(item["options"]) == 5 for item in shown["items"])
    assert shown["items"][0]["text_key"] == "skin-type.eyes.text"


@pytest.mark.parametrize(
    ("area", "rule"),
    [
        (0, "area-positive"),
        (-1, "area-positive"),
        (float("nan"), "area-positive"),
        (float("inf"), "area-positive"),
        (25_001, "area-beyond-body"),
    ],
)
def test_areas_of_nothing_or_beyond_the_body_are_refused(area, rule):
    with pytest.raises(InvalidInput) as caught:
        check_area(area, site=BodySite.HAND)

    assert (caught.value.field, caught.value.rule) == ("area_cm2", rule)


def test_an_area_beyond_its_site_is_a_warning():
    fits = check_area(100, site=BodySite.HAND, body_m2=1.8181)
    beyond = check_area(500, site=BodySite.HAND, body_m2=1.8181)

    assert fits.warning == ""
    assert fits.body_percent == pytest.approx(100 * 100 / 18_181)
    assert fits.hands == pytest.approx(0.632, abs=0.001)
    assert "more than one hand has" in beyond.warning


def test_the_sites_of_a_body_add_up_to_all_of_it():
    both = {
        BodySite.UPPER_ARM,
        BodySite.FOREARM,
        BodySite.HAND,
        BodySite.THIGH,
        BodySite.LOWER_LEG,
        BodySite.FOOT,
    }

    assert sum(site_percent(s) * (2 if s in both else 1) for s in BodySite) == pytest.approx(100)


@given(age=st.floats(0, 100))
def test_a_site_never_has_more_than_a_third_of_the_body(age):
    assert all(0 < site_percent(site, age_years=age) < 34 for site in BodySite)


def test_the_ends_of_what_a_body_can_be_are_accepted():
    assert body_surface_m2(40, weight_kg=2) == pytest.approx(0.149, abs=0.001)
    assert body_surface_m2(260, weight_kg=400) == pytest.approx(5.375, abs=0.001)
    assert check_area(0.01, site=BodySite.HAND).warning == ""
    assert check_area(25_000, site=BodySite.HAND).body_percent == pytest.approx(100)


@pytest.mark.parametrize(
    "call",
    [
        lambda: body_surface_m2(261, weight_kg=70),
        lambda: body_surface_m2(170, weight_kg=1.9),
        lambda: body_surface_m2(39, weight_kg=70),
        lambda: body_surface_m2(170, weight_kg=401, formula=BodyFormula.DU_BOIS),
        lambda: hands_to_cm2(200, body_m2=1.8),
        lambda: region_percent("head", age_years=-1),
        lambda: typology_angle_deg(101, yellow=10),
        lambda: typology_angle_deg(50, yellow=0),
    ],
)
def test_quantities_that_no_body_has_are_refused(call):
    with pytest.raises(InvalidInput):
        call()
