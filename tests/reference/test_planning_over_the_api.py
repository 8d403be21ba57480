"""Published values as a caller gets them: the same figures through the endpoints."""

import pytest

from clinics.vocabulary import Role
from tests.support.api import sign_in

pytestmark = pytest.mark.django_db

SCORE_11 = {
    "skin_type": 2,
    "site": "upper_trunk",
    "area_cm2": 25,
    "parts": [
        {"colour": "black", "technique": "outline", "share": 0.4},
        {"colour": "green", "technique": "solid_fill", "share": 0.3},
        {"colour": "blue", "technique": "shading", "share": 0.3},
    ],
    "ink_amount": "moderate",
}


@pytest.fixture
def caller(db):
    return sign_in(Role.INTEGRATOR)


def ask(caller, name, **body):
    response = caller.post(f"/calculators/{name}", body)
    assert response.status_code == 200, response.json()
    return response.json()


def test_a_worked_score_of_two_secondary_accounts(caller):
    """Kirby et al. 2009: type II, chest, several colours, moderate ink: 2 + 2 + 4 + 3 = 11."""
    scale = ask(caller, "session-estimate", **SCORE_11)["scale"]
    assert [one["points"] for one in scale["parameters"]] == [2, 2, 4, 3, 0, 0]
    assert (scale["total"], scale["sessions"]) == (11, 11)


def test_the_2024_cohorts_multiplier_about_halves_it(caller):
    """J Cosmet Dermatol 2024;23:818-823 (n = 11): 5.09 against 9.9, ratio 0.514."""
    plain = ask(caller, "session-estimate", **SCORE_11)["total"]["p50"]
    half = ask(caller, "session-estimate", **SCORE_11, multiplier=5.09 / 9.9)["total"]["p50"]
    assert half / plain == pytest.approx(0.514, abs=0.05)


def test_black_only_by_10_sessions(caller):
    """Bencini 2012, Arch Dermatol 148:1364: black only 58 % by 10 (press account)."""
    black = [{"colour": "black", "technique": "shading", "share": 1}]
    cohort = ask(caller, "session-estimate", **{**SCORE_11, "parts": black})["cohort"]
    assert cohort["by_10"] == pytest.approx(0.58, abs=0.005)


def test_four_passes_20_minutes_apart_wait_an_hour(caller):
    """Kossida 2012, J Am Acad Dermatol 66:271-277: 4 passes, 20 minutes apart; derived."""
    beam = {"area_cm2": 10, "spot_mm": 3, "rate_hz": 5}
    answer = ask(caller, "treatment-length", beams=[beam], passes=4)
    waits = [one for one in answer["segments"] if one["kind"] == "wait"]
    assert sum(one["end_s"] - one["start_s"] for one in waits) == pytest.approx(3600)


def test_a_hand_of_a_person_of_170_cm_and_70_kg(caller):
    """Rhodes 2013, Br J Dermatol 169:76: 0.87 % of 1.8181 m2 (Mosteller) is 158 cm2; derived."""
    body = {"site": "upper_trunk", "height_cm": 170, "weight_kg": 70, "hands": 1}
    assert ask(caller, "body-area", **body)["area_cm2"] == pytest.approx(158, abs=1)


@pytest.mark.parametrize(("score", "name"), [(6, "I"), (7, "II"), (34, "V"), (35, "VI")])
def test_classes_of_the_skin_type_questionnaire(caller, score, name):
    """0-6 I, 7-13 II, 14-20 III, 21-27 IV, 28-34 V, 35 and more VI: read in two sources."""
    assert ask(caller, "skin-type", score=score)["name"] == name


def test_gold_medication_rules_it_out_for_life(caller):
    """Cohen & Ross 2015 (PMC4587895): chrysiasis up to 26 years after."""
    (finding,) = ask(caller, "precautions", answers={"gold": "yes"})["findings"]
    assert (finding["effect"], finding["lifelong"], finding["clearable"]) == ("block", True, False)


@pytest.mark.parametrize(
    ("colour", "skin_type", "best"),
    [
        ("black", 6, 1064),  # Kilmer 1993; 1064 nm first on dark skin: Grevelink 1996
        ("red", 2, 532),  # Choi 2018 (secondary account)
        ("green", 2, 755),  # Brauer 2012, from memory
    ],
)
def test_first_wavelength_for_an_ink(caller, colour, skin_type, best):
    lines = [
        {"wavelength_nm": nm, "pulse_min_ns": 6, "pulse_max_ns": 50} for nm in (532, 694, 755, 1064)
    ]
    parts = [{"colour": colour, "share": 1}]
    answer = ask(caller, "line-advice", skin_type=skin_type, parts=parts, lines=lines)
    assert answer["lines"][0]["wavelength_nm"] == best
