"""The session estimate for plain inputs: what it shows, what it follows, what it refuses."""

import pytest

from clinics.vocabulary import Role
from courses.models import CalibrationRun
from tests.support.api import anonymous, assert_problem, pointers, sign_in

pytestmark = pytest.mark.django_db

PATH = "/calculators/session-estimate"
BLACK = {"key": "lines", "colour": "black", "technique": "outline", "share": 0.4}
SHADED = {"key": "shade", "colour": "black", "technique": "shading", "share": 0.6}
TATTOO = {
    "skin_type": 2,
    "site": "upper_trunk",
    "area_cm2": 24,
    "parts": [BLACK, SHADED],
    "ink_amount": "moderate",
}
LINE = {"wavelength_nm": 1064, "pulse_duration_ns": 6}
HISTORY = {
    "sessions": [
        {"treated_on": "2025-11-03", "lines": [LINE]},
        {"treated_on": "2026-01-05", "lines": [LINE]},
    ],
    "grades": [
        {"part": "shade", "graded_on": "2025-12-20", "low": 0.5, "high": 0.75},
        {"part": "lines", "graded_on": "2025-12-20", "scale": "quartiles", "grade": 1},
        {"part": "shade", "graded_on": "2026-02-16", "low": 0.75, "high": 0.95},
        {"part": "lines", "graded_on": "2026-02-16", "scale": "quartiles", "grade": 2},
    ],
}


@pytest.fixture
def caller(db):
    return sign_in(Role.LASER_SAFETY_OFFICER)


def shown(caller, **changes):
    response = caller.post(PATH, {**TATTOO, **changes})
    assert response.status_code == 200, response.json()
    return response.json()


class TestAnswer:
    def test_the_whole_of_an_estimate(self, caller):
        answer = shown(caller, next_on="2026-03-16")
        assert [p["points"] for p in answer["scale"]["parameters"]] == [2, 2, 1, 3, 0, 0]
        assert answer["total"] == answer["remaining"] == answer["assessed"]
        assert answer["total"]["p10"] <= answer["total"]["p50"] <= answer["total"]["p90"]
        probabilities = [point["probability"] for point in answer["done_by"]]
        assert probabilities == sorted(probabilities)
        assert answer["done_by"][answer["total"]["p50"]]["probability"] >= 0.5
        assert answer["calendar"]["next_on"] == "2026-03-16"
        weeks = 57 * (answer["total"]["p50"] - 1) / 7
        assert answer["calendar"]["likely_weeks"] == pytest.approx(weeks)
        assert answer["chair_hours"]["expected"] > 0
        assert {part["key"] for part in answer["parts"]} == {"lines", "shade"}
        assert answer["cohort"]["by_10"] == pytest.approx(0.58)
        assert answer["views_disagree"] in (True, False)
        assert {basis["id"] for basis in answer["basis"]} >= {
            "session-scale.kirby-desai",
            "fading.geometric-by-part",
            "session-cohort.bencini",
            "session-estimate.calendar",
        }
        assert answer["caution"]

    def test_grades_move_it_and_a_lagging_outline_is_explained(self, caller):
        answer = shown(caller, **HISTORY)
        assert answer["sessions_done"] == 2
        assert answer["governed_by"] == "lines"
        parts = {part["key"]: part for part in answer["parts"]}
        assert parts["shade"]["clearance"]["p50"] > parts["lines"]["clearance"]["p50"]
        assert parts["shade"]["remaining"]["p50"] < parts["lines"]["remaining"]["p50"]
        notes = {note["id"]: note for note in answer["notes"]}
        assert "ink volume, not harm" in notes["lagging-outline"]["text"]
        assert notes["lagging-outline"]["basis"]["kind"] == "common_practice"

    def test_a_blistered_outline_is_not_put_down_to_ink(self, caller):
        answer = shown(caller, **HISTORY, parts=[{**BLACK, "blister_or_scar": True}, SHADED])
        ids = {note["id"] for note in answer["notes"]}
        assert "lagging-outline-with-reaction" in ids

    def test_a_part_that_is_gone_has_no_forecast(self, caller):
        answer = shown(caller, parts=[BLACK, {**SHADED, "cleared": True}])
        gone = answer["parts"][1]
        assert (gone["cleared"], gone["remaining"], gone["clearance"]) == (True, None, None)

    def test_lightening_takes_fewer_sessions_and_the_cohort_does_not_speak(self, caller):
        lighten = shown(caller, goal="lighten", target_clearance=0.5)
        assert lighten["total"]["p50"] < shown(caller)["total"]["p50"]
        assert lighten["views_disagree"] is None
        assert "cohort-is-of-removal" in {note["id"] for note in lighten["notes"]}

    def test_a_palpable_tattoo_takes_more_but_ink_is_not_counted_twice(self, caller):
        raised = shown(caller, palpable=True)
        assert (raised["palpable"]["low"], raised["palpable"]["high"]) == (1, 2)
        assert raised["palpable"]["counted"] == 1

    def test_strong_disagreement_is_said(self, caller):
        answer = shown(
            caller,
            skin_type=1,
            site="head",
            ink_amount="amateur",
            smoker=True,
            area_cm2=80,
            parts=[{"colour": "green", "technique": "solid_fill", "share": 1}],
        )
        assert answer["views_disagree"] is True
        assert "views-disagree" in {note["id"] for note in answer["notes"]}


class TestChain:
    def test_the_chains_multiplier_counts_unless_one_is_given(self, caller):
        chain = caller.staff.chain
        chain.session_multiplier = "0.5"
        chain.save()
        assert shown(caller)["scale"]["sessions"] == 4
        assert shown(caller)["prior"]["version"] == f"chain:{chain.pk}:{chain.version}"
        given = shown(caller, multiplier=2)
        assert (given["scale"]["sessions"], given["prior"]["version"]) == (16, "request")

    def test_an_accepted_calibration_comes_first(self, caller):
        CalibrationRun.objects.create(
            chain=caller.staff.chain,
            number=3,
            status="accepted",
            courses=60,
            reached=40,
            multiplier=0.7,
            coefficient_of_variation=0.3,
            prior_version="published",
            report={},
        )
        prior = shown(caller)["prior"]
        assert (prior["version"], prior["multiplier"]) == ("calibration:3", 0.7)

    def test_the_chains_healing_rules_space_the_sessions(self, caller):
        chain = caller.staff.chain
        chain.healing_policy = {"healing.base": {"days": 60}}
        chain.save()
        calendar = shown(caller)["calendar"]
        assert calendar["earliest_interval_days"] == calendar["advised_interval_days"] == 60

    def test_lines_that_do_not_suit_the_ink_are_named(self, caller):
        answer = shown(
            caller,
            parts=[{"colour": "red", "technique": "solid_fill", "share": 1}],
            planned_lines=[LINE],
        )
        assert answer["parts"][0]["planned_match"] == "poor"
        assert "poor-match" in {note["id"] for note in answer["notes"]}

    def test_what_can_be_reached_without_it_is_shown_beside(self, caller):
        parts = [
            {"colour": "red", "technique": "solid_fill", "share": 0.1},
            {"colour": "black", "technique": "outline", "share": 0.9},
        ]
        answer = shown(caller, parts=parts, planned_lines=[LINE])
        assert answer["served"]["left_out"] == ["red solid fill"]
        assert answer["served"]["total"]["p50"] < (answer["total"]["p50"] or 99)
        assert shown(caller)["served"] is None


class TestBadInput:
    @pytest.mark.parametrize(
        ("changes", "status", "pointer", "rule"),
        [
            ({"skin_type": 9}, 400, "/skin_type", "invalid_choice"),
            ({"site": "tail"}, 400, "/site", "invalid_choice"),
            ({"parts": [{**BLACK, "colour": "mauve"}]}, 400, "/parts/0/colour", "invalid_choice"),
            ({"parts": [BLACK]}, 422, "/parts", "shares-sum"),
            ({"parts": [{**BLACK, "share": 1.4}]}, 422, "/parts/0/share", "share-range"),
            (
                {"parts": [BLACK, {**SHADED, "key": "lines"}]},
                422,
                "/parts/1/key",
                "part-key-unique",
            ),
            ({"area_cm2": 0}, 422, "/area_cm2", "area-on-a-body"),
            ({"area_cm2": 90_000}, 422, "/area_cm2", "area-on-a-body"),
            ({"amateur": True}, 422, "/amateur", "amateur-agrees-with-ink-amount"),
            ({"age_months": -1}, 422, "/age_months", "tattoo-age-range"),
            ({"goal": "lighten"}, 422, "/target_clearance", "lighten-needs-target"),
            ({"target_clearance": 0.5}, 422, "/target_clearance", "clear-has-no-target"),
            ({"multiplier": 0}, 400, "/multiplier", "min_value"),
            ({"next_on": "2026-01-05"}, 422, "/next_on", "next-after-last"),
            (
                {"darkenings": [{"part": "x", "seen_on": "2026-02-20"}]},
                422,
                "/darkenings/0/part",
                "part-unknown",
            ),
        ],
    )
    def test_the_field_and_the_rule_are_named(self, caller, changes, status, pointer, rule):
        problem = assert_problem(caller.post(PATH, {**TATTOO, **HISTORY, **changes}), status)
        assert pointers(problem)[pointer] == rule

    @pytest.mark.parametrize(
        ("grade", "pointer", "rule"),
        [
            ({"graded_on": "2026-01-05"}, "/grades/4/graded_on", "grade-on-treatment-day"),
            ({"graded_on": "2026-01-25"}, "/grades/4/graded_on", "grade-too-early"),
            ({"graded_on": "2026-02-15"}, "/grades/4/graded_on", "grades-ordered"),
            ({"low": 0.0, "high": 0.2}, "/grades/4/low", "ink-never-comes-back"),
            ({"low": 0.9, "high": 0.2}, "/grades/4/low", "grade-band"),
            ({"part": "dots"}, "/grades/4/part", "part-unknown"),
        ],
    )
    def test_grades_that_cannot_be_are_refused(self, caller, grade, pointer, rule):
        late = {"part": "shade", "graded_on": "2026-03-01", "low": 0.95, "high": 1.0, **grade}
        body = {**TATTOO, **HISTORY, "grades": [*HISTORY["grades"], late]}
        assert pointers(assert_problem(caller.post(PATH, body), 422))[pointer] == rule

    def test_an_unknown_grade_of_a_scale_is_refused(self, caller):
        late = {"part": "shade", "graded_on": "2026-03-01", "scale": "quartiles", "grade": 9}
        problem = assert_problem(caller.post(PATH, {**TATTOO, **HISTORY, "grades": [late]}), 422)
        assert pointers(problem) == {"/grades/0/grade": "grade-unknown"}

    def test_a_session_of_a_part_that_is_not_there_is_refused(self, caller):
        odd = {"treated_on": "2025-11-03", "lines": [LINE], "parts": ["lines", "dots"]}
        problem = assert_problem(caller.post(PATH, {**TATTOO, "sessions": [odd]}), 400)
        assert pointers(problem) == {"/sessions/0/parts/1": "part-unknown"}

    def test_it_is_for_everyone_who_is_signed_in(self):
        assert_problem(anonymous().post(PATH, TATTOO), 401)
