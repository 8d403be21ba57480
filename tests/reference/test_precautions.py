"""What published guidelines and reviews say of precautions, against what the service does.

Beside each row: where it comes from; "common practice" or "from memory" where nothing was read.
"""

from datetime import date, timedelta

import pytest

from courses.science.precautions import (
    QUESTIONS,
    PrecautionEffect,
    Subject,
    current_sheet,
    evaluate,
    parse_answers,
)
from courses.vocabulary import InkColour

TODAY = date(2026, 6, 1)
IADVL = "IADVL guideline 2009, Indian J Dermatol Venereol Leprol 75(8 suppl):111-126"

ABSOLUTE = [
    ({"infection": "yes"}, f"{IADVL}: active local infection, absolute"),
    ({"herpes_now": "yes"}, f"{IADVL}: active local infection, absolute"),
    ({"light_disease": "yes"}, f"{IADVL}: photo-aggravated disease, absolute"),
    ({"ink_reaction": "yes"}, f"{IADVL}: granuloma and allergy to pigment; Ashinoff 1995"),
    ({"skin_disease": "active"}, f"{IADVL}: unstable vitiligo, unstable psoriasis, absolute"),
    ({"gold": "yes"}, "Cohen & Ross 2015, PMC4587895: five cases, up to 26 years after"),
]
RELATIVE = [
    ({"keloid": "yes"}, f"{IADVL}: keloid heads the relative list"),
    ({"isotretinoin": "now"}, "Spring 2017, JAMA Dermatol 153:802: too little for a fixed delay"),
    ({"light_medicine": "strong"}, "amiodarone, minocycline, St John's wort: Kerstein 2014"),
    ({"mole": "yes"}, "Karsai, JEADV 2010; a radiation-protection agency: moles first"),
    ({"immune": "yes"}, "from memory"),
    ({"cancer_therapy": "yes"}, "from memory"),
    ({"seizures": "yes"}, "from memory"),
]
WAITS = [
    ({"light_medicine": "photodynamic"}, "guideline letter, secondary account"),
    ({"pregnancy": "pregnant"}, "from memory"),
    ({"pregnancy": "breast_feeding"}, "from memory"),
    ({"tan": "yes"}, "from memory"),
]
WARNINGS = [
    ({"light_medicine": "other"}, "Kerstein 2014, Lasers Med Sci 29:1449: four papers, no event"),
    ({"bleeding": "yes"}, "do not stop prescribed drugs without the prescriber (proposal)"),
    ({"cosmetic_ink": "yes"}, "immediate grey in 18 of 98 eyebrow patients"),
    ({"hopes": "yes"}, "relative in most guidelines, from memory"),
]


def found(answers, *, today=TODAY, subject=None):
    sheet = current_sheet([parse_answers(answers, answered_on=today)], today=today, subject=subject)
    return evaluate(sheet).findings


def gravest(answers, **more):
    return max(finding.effect for finding in found(answers, **more))


@pytest.mark.parametrize(("answers", "source"), ABSOLUTE)
def test_absolute_contraindications_block(answers, source):
    assert gravest(answers) is PrecautionEffect.BLOCK, source


@pytest.mark.parametrize(("answers", "source"), RELATIVE)
def test_relative_ones_wait_for_a_clinician(answers, source):
    assert gravest(answers) is PrecautionEffect.HOLD, source


@pytest.mark.parametrize(("answers", "source"), WAITS)
def test_what_passes_is_waited_for(answers, source):
    assert gravest(answers) is PrecautionEffect.WAIT, source


@pytest.mark.parametrize(("answers", "source"), WARNINGS)
def test_the_rest_is_warned_of(answers, source):
    assert gravest(answers) is PrecautionEffect.WARN, source


def test_gold_is_lifelong_and_edible_gold_is_not_asked_for():
    """Cohen & Ross 2015: up to 26 years after. Edible gold, none of 10: AlHargan 2019."""
    (finding,) = found({"gold": "yes"}, today=TODAY + timedelta(days=365 * 26))
    assert finding.lifelong
    (question,) = [one for one in QUESTIONS if one.key == "gold"]
    assert "as a medicine" in question.text


def test_a_tan_is_waited_for_within_the_usual_2_to_6_weeks():
    """2 to 6, mostly 4 weeks: from memory."""
    (finding,) = found({"tan": "yes", "tan_on": "2026-05-25"})
    wait = finding.until - date(2026, 5, 25)
    assert timedelta(weeks=2) <= wait <= timedelta(weeks=6)
    assert wait == timedelta(weeks=4)


@pytest.mark.parametrize(("months", "held"), [(5, True), (7, False)])
def test_isotretinoin_is_held_for_the_labels_six_months(months, held):
    """Label and old custom: 6 months (6 to 12). Consensus 2017 found no evidence for a delay."""
    stopped = TODAY - timedelta(days=round(months * 30.4))
    answers = {"isotretinoin": "past", "isotretinoin_stopped": stopped.isoformat()}
    assert bool(found(answers)) is held


@pytest.mark.parametrize(("months", "effect"), [(11, "HOLD"), (13, "WARN")])
def test_vitiligo_and_psoriasis_count_as_stable_after_a_year(months, effect):
    """Stable usually 12 months and more: from memory."""
    since = TODAY - timedelta(days=round(months * 30.4))
    answers = {"skin_disease": "stable", "skin_disease_stable_since": since.isoformat()}
    assert gravest(answers) is PrecautionEffect[effect]


@pytest.mark.parametrize(
    "colour", [InkColour.WHITE, InkColour.FLESH, InkColour.PINK, InkColour.BROWN]
)
def test_white_flesh_and_brown_inks_ask_for_a_test_spot(colour):
    """Varma 2002; 18 of 98 eyebrow patients grey at once (series of 2021)."""
    (finding,) = found({}, subject=Subject(colours=frozenset({colour})))
    assert finding.test_spot
