"""What a reader is shown: JSON with reasons, versions, parameters, basis and caution."""

import json

from courses.healing import compute_window, explain, facts_json, shorten, summary, time_course
from courses.vocabulary import BodySite, ObservationKind
from tests.support.healing_cases import facts, on_day, seen


def test_explain_is_json_and_sorts_rules_by_standing():
    shown = json.loads(json.dumps(explain(compute_window(facts(passes=2, smoker=None)))))

    assert [o["rule"]["id"] for o in shown["bound"]] == [
        "healing.advised",
        "healing.several-passes",
    ]
    assert [o["rule"]["id"] for o in shown["applied_not_binding"]] == ["healing.base"]
    smoker = next(o for o in shown["not_applicable"] if o["rule"]["id"] == "healing.smoker")
    assert "not known" in smoker["reason"]
    assert shown["missing"] == ["smoker"]
    assert shown["bound"][1]["rule"]["parameters"] == {"days": 56, "passes": 2}
    assert {b["id"] for b in shown["basis"]} == {"healing.advised", "healing.several-passes"}
    assert "treating clinician" in shown["caution"]
    total = len(shown["bound"] + shown["applied_not_binding"] + shown["not_applicable"])
    assert total == 20


def test_the_summary_says_when_and_why():
    assert summary(compute_window(facts(today=5))) == (
        "Not before 2026-02-16 (day 42); advised: 2026-03-03. "
        "The skin is left to heal for at least six weeks after any treatment."
    )


def test_the_summary_of_a_hold_says_until_what():
    text = summary(compute_window(facts(seen("scar", day=5))))

    assert "none before 2026-02-16" in text
    assert "until a clinician releases it" in text


def test_the_summary_of_never_and_of_a_shortening():
    assert summary(compute_window(facts(gold_ever=True))).startswith("This area may never")
    decision = shorten(
        compute_window(facts()),
        earliest_on=on_day(30),
        decided_on=on_day(20),
        by="Dr Invented",
        reason="Seen.",
    )
    text = summary(compute_window(facts(), shortening=decision))
    assert "Shortened from 2026-02-16 by Dr Invented: Seen." in text


def test_facts_are_stored_whole():
    stored = facts_json(facts(seen("crust", day=5, resolved=9)))

    assert json.loads(json.dumps(stored)) == stored
    assert stored["observations"][0]["resolved_on"] == "2026-01-14"


def test_a_reaction_that_outlasts_its_usual_course_is_flagged_and_moves_no_date():
    window = compute_window(facts(seen("erythema", day=3, resolved=9), today=50))

    assert window.days == 42
    (flag,) = window.flags
    assert (flag.kind, flag.refer) == (ObservationKind.ERYTHEMA, True)
    assert flag.text.startswith("Erythema on day 9; usually gone by day 7.")


def test_a_crust_on_the_head_is_unusual_sooner_than_on_the_body():
    crust = seen("crust", day=3, resolved=8)

    assert compute_window(facts(crust)).flags == ()
    assert len(compute_window(facts(crust, site=BodySite.HEAD)).flags) == 1
    assert time_course(ObservationKind.SCAR) is None
