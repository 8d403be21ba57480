"""Treatment length, setting check, skin type and body area for plain inputs."""

import pytest

from clinics.vocabulary import Role
from tests.support.api import anonymous, assert_problem, pointers, sign_in
from tests.support.devices import make_laser
from tests.support.factories import make_clinic

pytestmark = pytest.mark.django_db

BEAM = {"area_cm2": 20, "spot_mm": 4, "rate_hz": 5}
SETTING = {"fluence_j_cm2": 4, "spot_mm": 3, "rate_hz": 5, "pulse_duration_ns": 6}
LIMITS = {
    "wavelength_nm": 1064,
    "pulse_min_ns": 5,
    "pulse_max_ns": 10,
    "max_energy_j": 1.0,
    "max_rate_hz": 10,
    "spot_sizes_mm": [2, 3, 4],
}
ITEMS = "eyes hair skin freckles burn tan speed face last_sun area_sun"
ANSWERS = dict.fromkeys(ITEMS.split(), 2)


@pytest.fixture
def caller(db):
    return sign_in(Role.LASER_SAFETY_OFFICER)


def ask(caller, name, **body):
    response = caller.post(f"/calculators/{name}", body)
    assert response.status_code == 200, response.json()
    return response.json()


def refused(caller, name, status, **body):
    return pointers(assert_problem(caller.post(f"/calculators/{name}", body), status))


class TestTreatmentLength:
    def test_pulses_timeline_and_who_is_busy_when(self, caller):
        answer = ask(caller, "treatment-length", beams=[BEAM], passes=2)
        assert answer["pulses"] == 2 * answer["pulses_per_pass"]
        kinds = [segment["kind"] for segment in answer["segments"]]
        assert kinds == ["preparation", "pass", "wait", "pass", "aftercare"]
        assert answer["wait_s"] == 1200
        assert answer["segments"][2]["roles"] == ["room", "patient"]
        laser = [b for b in answer["busy"] if b["role"] == "laser"]
        assert len(laser) == 2
        assert sum(b["minutes"] for b in answer["booking"]) == answer["total_minutes"]
        assert {basis["id"] for basis in answer["basis"]} == {
            "treatment-length.coverage",
            "treatment-length.wait",
        }
        assert answer["caution"]

    def test_a_clearing_agent_shortens_the_wait(self, caller):
        answer = ask(caller, "treatment-length", beams=[BEAM], passes=4, clearing_agent=True)
        assert answer["wait_s"] == 5
        plain = ask(caller, "treatment-length", beams=[BEAM], passes=4)
        assert plain["total_s"] - answer["total_s"] == pytest.approx(3 * (1200 - 5))

    def test_a_short_wait_without_agent_is_warned_of(self, caller):
        answer = ask(caller, "treatment-length", beams=[BEAM], passes=2, wait_minutes=5)
        assert "10 to 30 minutes" in answer["warnings"][0]

    @pytest.mark.parametrize(
        ("changes", "status", "pointer", "rule"),
        [
            ({"beams": []}, 400, "/beams", "min_length"),
            ({"beams": [{**BEAM, "area_cm2": 0}]}, 422, "/beams/0/area_cm2", "positive"),
            ({"beams": [BEAM, {**BEAM, "area_cm2": 30_000}]}, 422, "/beams/1/area_cm2", "positive"),
            ({"beams": [{**BEAM, "spot_mm": -1}]}, 422, "/beams/0/spot_mm", "positive"),
            ({"beams": [{**BEAM, "spot_mm": 1e-308}]}, 422, "/beams/0/spot_mm", "positive"),
            ({"beams": [{**BEAM, "overlap": 1}]}, 422, "/beams/0/overlap", "overlap-range"),
            ({"passes": 0}, 422, "/passes", "passes-range"),
            ({"wait_minutes": 90}, 422, "/wait_minutes", "wait-range"),
            ({"firing_share": 0}, 422, "/firing_share", "firing-share-range"),
            ({"preparation_min": -1}, 422, "/preparation_min", "minutes-range"),
            (
                {"beams": [{**BEAM, "area_cm2": 9000, "rate_hz": 1}]},
                422,
                "/beams",
                "session-too-long",
            ),
        ],
    )
    def test_bad_input_names_field_and_rule(self, caller, changes, status, pointer, rule):
        body = {"beams": [BEAM], **changes}
        assert refused(caller, "treatment-length", status, **body)[pointer] == rule


class TestSettingCheck:
    def test_a_setting_within_all_ranges_has_no_findings(self, caller):
        answer = ask(caller, "setting-check", **SETTING, limits=LIMITS)
        assert (answer["findings"], answer["within_line"]) == ([], True)
        assert answer["energy_j"] == pytest.approx(0.2827, abs=1e-3)
        assert answer["pulse"]["allowed"] is True
        assert answer["caution"]

    def test_a_line_of_the_chain_gives_the_limits(self, caller):
        line = make_laser(make_clinic(caller.staff.chain)).laser_model.lines.first()
        answer = ask(caller, "setting-check", **{**SETTING, "rate_hz": 50}, line=line.pk)
        assert "rate-beyond-line" in {finding["code"] for finding in answer["findings"]}
        assert answer["within_line"] is False

    def test_a_millisecond_pulse_is_refused_with_its_numbers(self, caller):
        slow = {**SETTING, "pulse_duration_ns": 2e6}
        answer = ask(caller, "setting-check", **slow, limits=LIMITS)
        (finding,) = [f for f in answer["findings"] if f["severity"] == "refused"]
        assert (finding["field"], finding["value"]) == ("pulse_duration_ns", 2e6)
        assert answer["pulse"]["pulse_class"] == "millisecond"
        assert answer["pulse"]["times_clump"] > 1000

    def test_findings_warn_and_never_say_what_to_set(self, caller):
        hot = {**SETTING, "fluence_j_cm2": 14}
        answer = ask(caller, "setting-check", **hot, limits=LIMITS)
        codes = {finding["code"]: finding for finding in answer["findings"]}
        published = codes["fluence-outside-published"]
        assert published["severity"] == "unusual"
        assert published["basis"]["source"]

    @pytest.mark.parametrize(
        ("changes", "status", "pointer", "rule"),
        [
            ({"fluence_j_cm2": 0}, 422, "/fluence_j_cm2", "positive"),
            ({"spot_mm": -2}, 422, "/spot_mm", "positive"),
            ({"spot_mm": 1e308}, 422, "/spot_mm", "positive"),
            ({"spot_mm": 1e-308}, 422, "/spot_mm", "positive"),
            ({"pulse_duration_ns": 0}, 422, "/pulse_duration_ns", "positive"),
            ({"line": 999_999}, 400, "/line", "does_not_exist"),
            ({"limits": {**LIMITS, "pulse_min_ns": 20}}, 400, "/limits/pulse_max_ns", "order"),
            ({"limits": {**LIMITS, "max_energy_j": 0}}, 400, "/limits/max_energy_j", "min_value"),
        ],
    )
    def test_bad_input_names_field_and_rule(self, caller, changes, status, pointer, rule):
        body = {**SETTING, "limits": LIMITS, **changes}
        assert refused(caller, "setting-check", status, **body)[pointer] == rule

    def test_a_line_or_limits_not_both_nor_neither(self, caller):
        assert refused(caller, "setting-check", 400, **SETTING) == {"/line": "either"}

    def test_a_line_of_another_chain_does_not_exist(self, caller):
        foreign = make_laser().laser_model.lines.first()
        found = refused(caller, "setting-check", 400, **SETTING, line=foreign.pk)
        assert found == {"/line": "does_not_exist"}


class TestSkinType:
    def test_the_questionnaire_can_be_rendered_and_answered(self, caller):
        form = caller.get("/skin-type-questionnaire").json()
        assert len(form["items"]) == 10
        assert all(len(item["options"]) == 5 for item in form["items"])
        answers = {item["key"]: 2 for item in form["items"]}
        answer = ask(caller, "skin-type", answers=answers)
        assert (answer["score"], answer["skin_type"], answer["name"]) == (20, 3, "III")
        assert answer["basis"][0]["kind"] == "published"

    def test_a_sum_will_do(self, caller):
        assert ask(caller, "skin-type", score=35)["name"] == "VI"

    @pytest.mark.parametrize(
        ("body", "status", "pointer", "rule"),
        [
            ({"score": 41}, 422, "/score", "score-range"),
            ({"score": -1}, 422, "/score", "score-range"),
            ({"answers": {**ANSWERS, "shoes": 1}}, 422, "/answers/shoes", "question-unknown"),
            ({"answers": {"eyes": 1}}, 422, "/answers/hair", "answer-missing"),
            ({"answers": {**ANSWERS, "eyes": 5}}, 400, "/answers/eyes", "max_value"),
            ({}, 400, "/answers", "either"),
            ({"answers": ANSWERS, "score": 20}, 400, "/answers", "either"),
        ],
    )
    def test_bad_input_names_field_and_rule(self, caller, body, status, pointer, rule):
        assert refused(caller, "skin-type", status, **body)[pointer] == rule


class TestBodyArea:
    def test_length_times_width(self, caller):
        answer = ask(caller, "body-area", site="forearm", length_cm=12, width_cm=5)
        assert (answer["area_cm2"], answer["warning"], answer["body_m2"]) == (60, "", None)

    def test_hands_of_a_known_body(self, caller):
        body = {"site": "upper_trunk", "height_cm": 170, "weight_kg": 70}
        answer = ask(caller, "body-area", **body, hands=1)
        assert answer["area_cm2"] == pytest.approx(158, abs=1)
        assert answer["body_m2"] == pytest.approx(1.8181, abs=1e-4)
        palm = ask(caller, "body-area", **body, palms=1, formula="du_bois")
        assert palm["area_cm2"] == pytest.approx(90.5, abs=1)

    def test_an_area_beyond_its_site_is_a_warning(self, caller):
        answer = ask(caller, "body-area", site="hand", area_cm2=900)
        assert "more than one hand has" in answer["warning"]

    @pytest.mark.parametrize(
        ("body", "status", "pointer", "rule"),
        [
            ({"area_cm2": 0}, 422, "/area_cm2", "area-positive"),
            ({"area_cm2": 26_000}, 422, "/area_cm2", "area-beyond-body"),
            ({"area_cm2": 20, "hands": 1}, 400, "/area_cm2", "one_of"),
            ({}, 400, "/area_cm2", "one_of"),
            ({"length_cm": 4}, 400, "/width_cm", "required"),
            ({"hands": 1}, 400, "/height_cm", "required"),
            ({"hands": 500, "height_cm": 170, "weight_kg": 70}, 422, "/hands", "hands-range"),
            ({"percent": 101, "height_cm": 170, "weight_kg": 70}, 422, "/percent", "percent-range"),
            ({"hands": 1, "height_cm": 17, "weight_kg": 70}, 422, "/height_cm", "height-cm-range"),
            ({"area_cm2": 5, "age_years": -1}, 422, "/age_years", "age-range"),
            ({"area_cm2": 5, "site": "tail"}, 400, "/site", "invalid_choice"),
        ],
    )
    def test_bad_input_names_field_and_rule(self, caller, body, status, pointer, rule):
        given = {"site": "forearm", **body}
        assert refused(caller, "body-area", status, **given)[pointer] == rule


@pytest.mark.parametrize(
    "name", ["treatment-length", "setting-check", "skin-type", "body-area", "line-advice"]
)
def test_calculators_are_for_everyone_who_is_signed_in(name):
    assert_problem(anonymous().post(f"/calculators/{name}", {}), 401)
