"""Precautions: what answers mean, which ones are missing, old or contradict each other."""

import json
import pickle
from datetime import date, timedelta

import pytest

from courses.science.errors import InvalidInput
from courses.science.precautions import (
    PRECAUTIONS,
    QUESTIONS,
    Answer,
    Clearance,
    InvalidAnswers,
    PrecautionEffect,
    Subject,
    answer_sheet,
    current_sheet,
    evaluate,
    known_answers,
    parse_answers,
    problems_of,
    questionnaire_json,
    worsened,
)
from courses.vocabulary import BodySite, InkColour

TODAY = date(2026, 6, 1)
HARMLESS = {"light_medicine": "none", "isotretinoin": "never"}
ALL_CLEAR = {q.key: HARMLESS.get(q.key, "no") for q in QUESTIONS if q.asked_when is None}


def days(number):
    return TODAY + timedelta(days=number)


def result(answers=None, *, today=TODAY, subject=None, clearances=(), given_on=TODAY, **more):
    given = parse_answers(ALL_CLEAR | (answers or {}) | more, answered_on=given_on)
    return evaluate(answer_sheet(given, today=today, subject=subject), clearances=clearances)


def test_nothing_to_declare_is_clear():
    answer = result()

    assert answer.clear
    assert (answer.findings, answer.effect, answer.wait_until) == ((), None, None)
    assert answer.valid_until == days(2)


@pytest.mark.parametrize(
    ("answers", "precaution", "effect"),
    [
        ({"gold": "yes"}, "gold", "block"),
        ({"infection": "yes"}, "infection", "block"),
        ({"herpes_now": "yes", "herpes_history": "yes"}, "herpes-now", "block"),
        ({"herpes_history": "yes"}, "herpes-history", "hold_for_clinician"),
        ({"light_disease": "yes"}, "light-disease", "block"),
        ({"light_medicine": "photodynamic"}, "photodynamic", "wait_until"),
        ({"light_medicine": "strong"}, "light-medicine-strong", "hold_for_clinician"),
        ({"light_medicine": "other"}, "light-medicine-other", "warn"),
        ({"isotretinoin": "now"}, "isotretinoin", "hold_for_clinician"),
        ({"isotretinoin": "past"}, "isotretinoin", "hold_for_clinician"),
        ({"pregnancy": "pregnant"}, "pregnancy", "wait_until"),
        ({"pregnancy": "breast_feeding"}, "pregnancy", "wait_until"),
        ({"tan": "yes"}, "tan", "wait_until"),
        ({"keloid": "yes"}, "keloid", "hold_for_clinician"),
        ({"ink_reaction": "yes"}, "ink-reaction", "block"),
        ({"skin_disease": "active"}, "skin-disease-active", "block"),
        ({"skin_disease": "stable"}, "skin-disease-recent", "hold_for_clinician"),
        ({"immune": "yes"}, "immune", "hold_for_clinician"),
        ({"mole": "yes"}, "mole", "hold_for_clinician"),
        ({"bleeding": "yes"}, "bleeding", "warn"),
        ({"seizures": "yes"}, "seizures", "hold_for_clinician"),
        ({"eyelid": "yes"}, "eyelid", "hold_for_clinician"),
        ({"cancer_therapy": "yes"}, "cancer-therapy", "hold_for_clinician"),
        ({"cosmetic_ink": "yes"}, "darkening-ink", "warn"),
        ({"hopes": "yes"}, "hopes", "warn"),
        ({"gold": "unsure"}, "unsure-gold", "hold_for_clinician"),
        ({"bleeding": "unsure"}, "unsure-bleeding", "warn"),
    ],
)
def test_each_answer_has_its_effect(answers, precaution, effect):
    answer = result(answers)

    found = next(f for f in answer.findings if f.id == precaution)
    assert found.effect.code == effect
    assert found.basis.source
    assert answer.clear == (effect == "warn")


def test_every_precaution_is_reached_by_some_answer():
    reached = {
        f.id
        for q in QUESTIONS
        for option in q.options
        for f in result(
            {q.key: option.code} | ({"herpes_history": "yes"} if q.key == "herpes_now" else {})
        ).findings
    }

    assert {p.id for p in PRECAUTIONS} - reached == {"minor", "skin-disease-stable"}


def test_gold_is_lifelong_cannot_be_cleared_and_never_expires():
    cleared = Clearance("gold", by="Dr Invented", reason="-x-", cleared_on=TODAY)

    answer = result({"gold": "yes"}, given_on=days(-4000), today=TODAY, clearances=[cleared])

    assert answer.effect is PrecautionEffect.BLOCK
    assert "gold" not in answer.expired
    assert not answer.findings[0].cleared_by


def test_gold_on_record_blocks_without_an_answer():
    sheet = answer_sheet([], today=TODAY, subject=Subject(gold_on_record=True))

    answer = evaluate(sheet)

    assert answer.findings[0].id == "gold"
    assert "gold" not in answer.missing


@pytest.mark.parametrize(("ago", "waits"), [(27, True), (28, False), (0, True)])
def test_a_tan_waits_four_weeks_from_the_last_sun(ago, waits):
    answer = result(tan="yes", tan_on=days(-ago).isoformat())

    assert (answer.effect is PrecautionEffect.WAIT) is waits
    assert answer.wait_until == (days(28 - ago) if waits else None)


def test_a_wait_that_is_over_is_asked_again():
    answer = result(pregnancy="pregnant", pregnancy_until=TODAY.isoformat())

    assert answer.findings == ()
    assert answer.expired == ("pregnancy",)
    assert not answer.clear


@pytest.mark.parametrize(("ago", "held"), [(181, True), (182, False)])
def test_isotretinoin_is_held_for_six_months(ago, held):
    answer = result(isotretinoin="past", isotretinoin_stopped=days(-ago).isoformat())

    assert bool(answer.findings) is held


@pytest.mark.parametrize(
    ("ago", "found"), [(365, "skin-disease-stable"), (364, "skin-disease-recent")]
)
def test_stable_skin_disease_is_a_warning_after_a_year(ago, found):
    answer = result(skin_disease="stable", skin_disease_stable_since=days(-ago).isoformat())

    assert [f.id for f in answer.findings] == [found]


@pytest.mark.parametrize(("born", "held"), [(date(2008, 6, 1), False), (date(2008, 6, 2), True)])
def test_the_eighteenth_birthday(born, held):
    answer = result(subject=Subject(birth_date=born))

    assert [f.id for f in answer.findings] == (["minor"] if held else [])


def test_ink_that_may_darken_is_known_from_the_record():
    answer = result(subject=Subject(colours=frozenset({InkColour.WHITE})))

    assert [f.id for f in answer.findings] == ["darkening-ink"]
    assert answer.test_spot


def test_unanswered_questions_are_named_in_order():
    some = {k: v for k, v in ALL_CLEAR.items() if k not in {"gold", "mole"}}
    sheet = answer_sheet(parse_answers(some, answered_on=TODAY), today=TODAY)

    assert evaluate(sheet).missing == ("gold", "mole")
    assert not evaluate(sheet).clear


def test_answers_expire_each_at_its_own_time():
    assert result(given_on=days(-2)).expired == ()
    assert result(given_on=days(-3)).expired == ("infection", "herpes_now", "tan")
    assert "isotretinoin" in result(given_on=days(-43)).expired
    assert "keloid" in result(given_on=days(-366)).expired


def test_an_expired_answer_that_stops_still_stops():
    answer = result({"infection": "yes"}, given_on=days(-30))

    assert answer.effect is PrecautionEffect.BLOCK
    assert "infection" in answer.expired


def test_a_clinician_clears_with_a_reason_until_the_answer_changes():
    cleared = Clearance("keloid", by="Dr Invented", reason="Test spot fine.", cleared_on=TODAY)
    yes = parse_answers(ALL_CLEAR | {"keloid": "yes"}, answered_on=days(-10))
    again = parse_answers(ALL_CLEAR | {"keloid": "yes"}, answered_on=days(60))
    no = parse_answers({"keloid": "no"}, answered_on=days(20))

    same = evaluate(answer_sheet([*yes, *again], today=days(60)), clearances=[cleared])
    changed = evaluate(answer_sheet([*yes, *no, *again], today=days(60)), clearances=[cleared])

    assert (same.clear, same.findings[0].cleared_by) == (True, "Dr Invented")
    assert not changed.clear


def test_a_clearance_ends_and_needs_a_signature():
    until = Clearance(
        "keloid", by="Dr Invented", reason="Fine.", cleared_on=TODAY, valid_until=TODAY
    )

    assert result({"keloid": "yes"}, clearances=[until]).clear
    late = result({"keloid": "yes"}, today=days(1), clearances=[until])
    assert not late.clear
    with pytest.raises(InvalidInput):
        Clearance("keloid", by="", reason="Fine.", cleared_on=TODAY)


def test_what_changed_since_booking_shows_up_at_arrival():
    booked = result({"bleeding": "yes"}, today=TODAY)
    arrived = result({"tan": "yes", "bleeding": "yes"}, today=TODAY)

    assert [f.id for f in worsened(booked, after=arrived)] == ["tan"]
    assert worsened(arrived, after=arrived) == ()
    later = result({"tan": "yes"}, given_on=days(5), today=days(5))
    assert [f.id for f in worsened(arrived, after=later)] == ["tan"]


@pytest.mark.parametrize(
    ("answers", "subject", "field"),
    [
        ({"tan_on": "2026-05-30"}, None, "answers.tan_on"),
        ({"isotretinoin_stopped": "2026-05-30"}, None, "answers.isotretinoin_stopped"),
        ({"pregnancy_until": "2026-09-30"}, None, "answers.pregnancy_until"),
        ({"gold": "no"}, Subject(gold_on_record=True), "answers.gold"),
        ({"herpes_now": "yes", "herpes_history": "no"}, None, "answers.herpes_history"),
        ({"eyelid": "yes"}, Subject(site=BodySite.FOOT), "answers.eyelid"),
    ],
)
def test_contradictions_are_named(answers, subject, field):
    with pytest.raises(InvalidAnswers) as caught:
        result(answers, subject=subject)

    assert [(p.field, p.rule) for p in caught.value.problems] == [(field, "answers-contradict")]
    assert (caught.value.field, caught.value.rule) == (field, "answers-contradict")


def test_all_problems_are_named_at_once():
    with pytest.raises(InvalidAnswers) as caught:
        parse_answers(
            {"gold": "maybe", "nose": "yes", "tan_on": "soon", "mole": 1}, answered_on=TODAY
        )

    assert [(p.field, p.rule) for p in caught.value.problems] == [
        ("answers.gold", "answer-unknown"),
        ("answers.nose", "question-unknown"),
        ("answers.tan_on", "answer-unknown"),
        ("answers.mole", "answer-unknown"),
    ]
    assert pickle.loads(pickle.dumps(caught.value)).problems == caught.value.problems


@pytest.mark.parametrize(
    ("answer", "rule"),
    [
        (Answer("gold", "no", days(1)), "date-in-future"),
        (Answer("tan_on", days(1), TODAY), "date-in-future"),
        (Answer("isotretinoin_stopped", date(1950, 1, 1), TODAY), "date-before-birth"),
    ],
)
def test_dates_that_cannot_be_are_refused(answer, rule):
    with pytest.raises(InvalidAnswers) as caught:
        answer_sheet([answer], today=TODAY, subject=Subject(birth_date=date(1990, 1, 1)))

    assert rule in {p.rule for p in caught.value.problems}


def test_a_date_from_before_the_leading_answer_is_set_aside():
    old = parse_answers({"tan": "yes", "tan_on": "2026-01-02"}, answered_on=date(2026, 1, 3))
    new = parse_answers({"tan": "yes"}, answered_on=TODAY)
    gone = parse_answers({"tan": "no"}, answered_on=TODAY)

    assert evaluate(answer_sheet([*old, *new], today=TODAY)).wait_until == days(28)
    assert evaluate(answer_sheet([*old, *gone], today=TODAY)).findings == ()


def test_the_questionnaire_is_json_versioned_and_can_be_translated():
    shown = json.loads(json.dumps(questionnaire_json({"precautions.gold.text": "Gold?"})))

    assert shown["version"]
    assert [q["key"] for q in shown["questions"]] == [q.key for q in QUESTIONS]
    assert shown["questions"][0]["text"] == "Gold?"
    assert shown["questions"][0]["options"][0]["text_key"] == "precautions.gold.options.yes"
    tan_on = next(q for q in shown["questions"] if q["key"] == "tan_on")
    assert tan_on["asked_when"] == {"question": "tan", "answers": ["yes"]}
    assert "clinician" in shown["caution"]


def test_precaution_ids_are_unique():
    assert len({p.id for p in PRECAUTIONS}) == len(PRECAUTIONS)


def told(*, on=TODAY, **answers):
    return parse_answers(answers, answered_on=on)


def test_a_question_answered_anew_on_the_same_day_drops_what_followed_from_it():
    sets = [
        told(isotretinoin="past", isotretinoin_stopped="2026-05-01"),
        told(isotretinoin="never"),
    ]
    sheet = current_sheet(sets, today=TODAY)
    assert set(sheet.answers) == {"isotretinoin"}
    assert problems_of(sheet) == ()


def test_a_set_of_a_few_answers_leaves_the_others_as_they_stand():
    before = parse_answers(ALL_CLEAR, answered_on=days(-20))
    sheet = current_sheet([before, told(infection="yes")], today=TODAY)
    assert sheet.code("infection") == "yes"
    assert sheet.answered_on("keloid") == days(-20)
    assert {f.id for f in evaluate(sheet).findings} == {"infection"}


def test_reading_a_record_refuses_nothing():
    sheet = current_sheet([told(gold="no")], today=days(-1), subject=Subject(gold_on_record=True))
    assert {p.rule for p in problems_of(sheet)} == {"answers-contradict", "date-in-future"}
    assert evaluate(sheet).findings[0].id == "gold"


def test_stored_answers_of_another_questionnaire_are_read_as_far_as_they_are_known():
    stored = {"gold": "no", "tan": "a little", "left_handed": "yes"}
    assert [a.key for a in known_answers(stored, answered_on=TODAY)] == ["gold"]
