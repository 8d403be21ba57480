"""Answers about precautions: recorded, judged, cleared; what contradicts is refused."""

from datetime import date, timedelta

import pytest
from django.db import DatabaseError, transaction

from clinics.vocabulary import Role
from courses.models import HealingWindow, PrecautionAnswers, PrecautionDecision
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.courses import (
    NOTHING_TO_DECLARE,
    NOW,
    make_answers,
    make_patient,
    make_session,
    make_tattoo,
    make_ward,
    make_window,
)

pytestmark = pytest.mark.django_db

TODAY = NOW.date()


@pytest.fixture
def ward(db):
    return make_ward(asked=False)


@pytest.fixture
def patient(ward):
    return ward.course.patient


def record(caller, patient, status=201, **answers):
    body = {"patient": patient.pk, "answers": answers}
    response = caller.post("/precaution-answers", body)
    assert response.status_code == status, response.json()
    return response.json()


def standing(caller, patient, **query):
    response = caller.get(f"/patients/{patient.pk}/precautions", **query)
    assert response.status_code == 200, response.json()
    return response.json()


def decide(caller, patient, precaution, kind="clear", **more):
    body = {
        "patient": patient.pk,
        "precaution": precaution,
        "kind": kind,
        "reason": "Spoke with the prescriber",
        **more,
    }
    return caller.post("/precaution-decisions", body)


class TestQuestionnaire:
    def test_a_front_end_can_render_it_and_send_it_back(self, desk, patient):
        form = desk.get("/precaution-questionnaire").json()
        assert (form["id"], form["version"], form["language"]) == ("precautions", "1", "en")
        assert all(question["text_key"] for question in form["questions"])
        asked = [question for question in form["questions"] if question["asked_when"] is None]
        answers = {
            question["key"]: next(
                option["code"]
                for option in question["options"]
                if option["code"] in {"no", "none", "never"}
            )
            for question in asked
        }
        record(desk, patient, **answers)
        assert standing(desk, patient)["clear"] is True


class TestRecording:
    def test_a_set_is_kept_with_who_when_and_until_when(self, desk, patient):
        shown = record(desk, patient, **NOTHING_TO_DECLARE)
        assert shown["answered_on"] == "2026-03-02"
        assert shown["expires_on"] == "2026-03-04"
        assert shown["recorded_by"] == desk.staff.pk
        assert shown["questionnaire_version"] == "1"

    def test_later_answers_replace_single_ones_and_every_set_stays(self, clinician, patient):
        record(clinician, patient, **NOTHING_TO_DECLARE)
        record(clinician, patient, isotretinoin="past", isotretinoin_stopped="2026-02-01")
        found = standing(clinician, patient)
        assert [finding["id"] for finding in found["findings"]] == ["isotretinoin"]
        assert found["missing"] == []
        record(clinician, patient, isotretinoin="never")
        assert standing(clinician, patient)["findings"] == []
        listed = clinician.get("/precaution-answers", patient=patient.pk).json()
        assert len(listed["items"]) == 3

    def test_the_database_refuses_to_change_answers(self, desk, patient):
        pk = record(desk, patient, **NOTHING_TO_DECLARE)["id"]
        for change in (
            lambda: PrecautionAnswers.objects.filter(pk=pk).update(answers={"gold": "yes"}),
            lambda: PrecautionAnswers.objects.filter(pk=pk).delete(),
        ):
            with pytest.raises(DatabaseError, match="only grows"), transaction.atomic():
                change()

    def test_a_paper_form_of_an_earlier_day(self, desk, patient):
        body = {
            "patient": patient.pk,
            "answers": NOTHING_TO_DECLARE,
            "answered_on": "2026-02-01",
        }
        assert desk.post("/precaution-answers", body).status_code == 201
        found = standing(desk, patient)
        assert "infection" in found["expired"]
        assert found["complete"] is False

    def test_a_repeat_with_the_same_key_records_once(self, desk, patient):
        body = {"patient": patient.pk, "answers": NOTHING_TO_DECLARE}
        first = desk.post("/precaution-answers", body, key="form-1")
        again = desk.post("/precaution-answers", body, key="form-1")
        assert first.content == again.content
        assert PrecautionAnswers.objects.count() == 1

    @pytest.mark.parametrize(
        ("answers", "status", "pointer", "rule"),
        [
            ({"shoe_size": "42"}, 422, "/answers/shoe_size", "question-unknown"),
            ({"gold": "maybe"}, 422, "/answers/gold", "answer-unknown"),
            ({"tan": "yes", "tan_on": "yesterday"}, 422, "/answers/tan_on", "answer-unknown"),
            ({"tan": "yes", "tan_on": "2026-04-01"}, 422, "/answers/tan_on", "date-in-future"),
            ({"tan": "yes", "tan_on": "1980-04-01"}, 422, "/answers/tan_on", "date-before-birth"),
            ({"tan": "no", "tan_on": "2026-02-20"}, 422, "/answers/tan_on", "answers-contradict"),
            (
                {"herpes_now": "yes", "herpes_history": "no"},
                422,
                "/answers/herpes_history",
                "answers-contradict",
            ),
            ({"eyelid": "yes"}, 422, "/answers/eyelid", "answers-contradict"),
            ({"gold": 3.5}, 422, "/answers/gold", "answer-unknown"),
            ({"gold": ["yes"]}, 400, "/answers/gold", "invalid"),
            ({}, 400, "/answers", "empty"),
        ],
    )
    def test_bad_answers_name_field_and_rule_and_nothing_is_stored(
        self, desk, patient, answers, status, pointer, rule
    ):
        body = {"patient": patient.pk, "answers": answers}
        problem = assert_problem(desk.post("/precaution-answers", body), status)
        assert pointers(problem)[pointer] == rule
        assert PrecautionAnswers.objects.count() == 0

    def test_all_problems_are_named_at_once(self, desk, patient):
        body = {"patient": patient.pk, "answers": {"gold": "maybe", "shoe_size": "42"}}
        problem = assert_problem(desk.post("/precaution-answers", body), 422, "input_refused")
        assert set(pointers(problem)) == {"/answers/gold", "/answers/shoe_size"}

    def test_answers_are_not_given_in_the_future(self, desk, patient):
        body = {
            "patient": patient.pk,
            "answers": NOTHING_TO_DECLARE,
            "answered_on": "2026-03-03",
        }
        problem = assert_problem(desk.post("/precaution-answers", body), 400)
        assert pointers(problem) == {"/answered_on": "in_the_future"}

    def test_who_may(self, ward, patient):
        manager, safety = ward.caller(Role.CHAIN_MANAGER), ward.caller(Role.LASER_SAFETY_OFFICER)
        body = {"patient": patient.pk, "answers": NOTHING_TO_DECLARE}
        for caller in (manager, safety):
            assert_problem(caller.post("/precaution-answers", body), 403)
            assert_problem(caller.get(f"/patients/{patient.pk}/precautions"), 403)
        stranger = sign_in(Role.FRONT_DESK)
        assert_problem(stranger.post("/precaution-answers", body), 400)
        assert_problem(stranger.get(f"/patients/{patient.pk}/precautions"), 404)


class TestGold:
    def test_a_yes_goes_on_the_record_and_no_window_ever_closes(self, ward, clinician, patient):
        window = make_window(make_session(ward))
        record(clinician, patient, gold="yes")
        patient.refresh_from_db()
        window = HealingWindow.objects.get(pk=window.pk)
        assert patient.gold_therapy_ever is True
        assert window.state == "never"
        finding = standing(clinician, patient)["findings"][0]
        assert (finding["effect"], finding["lifelong"], finding["clearable"]) == (
            "block",
            True,
            False,
        )

    def test_a_no_contradicts_the_record(self, clinician, patient):
        patient.gold_therapy_ever = True
        patient.save()
        body = {"patient": patient.pk, "answers": {"gold": "no"}}
        problem = assert_problem(clinician.post("/precaution-answers", body), 422)
        assert pointers(problem) == {"/answers/gold": "answers-contradict"}

    def test_who_may_not_see_the_record_is_not_told_what_it_says_by_a_refusal(
        self, desk, clinician, patient
    ):
        """The answer is taken, and what the record says goes on counting."""
        patient.gold_therapy_ever = True
        patient.save()
        record(desk, patient, gold="no", isotretinoin="never")
        assert standing(clinician, patient)["findings"][0]["id"] == "gold"
        body = {"patient": patient.pk, "answers": {"isotretinoin_stopped": "2026-01-05"}}
        told = assert_problem(clinician.post("/precaution-answers", body), 422)
        assert "'never'" in told["detail"]
        refused = assert_problem(desk.post("/precaution-answers", body), 422)
        assert pointers(refused) == {"/answers/isotretinoin_stopped": "answers-incomplete"}
        assert "never" not in refused["detail"]
        assert PrecautionAnswers.objects.filter(patient=patient).count() == 1

    def test_gold_put_on_the_record_later_blocks_in_spite_of_an_old_no(self, clinician, patient):
        record(clinician, patient, **NOTHING_TO_DECLARE)
        patient.gold_therapy_ever = True
        patient.save()
        assert standing(clinician, patient)["findings"][0]["id"] == "gold"


class TestStanding:
    def test_a_patient_who_was_never_asked(self, desk, patient):
        found = standing(desk, patient)
        assert (found["asked"], found["complete"], found["clear"]) == (False, False, False)
        assert "gold" in found["missing"]
        assert found["valid_until"] is None

    def test_a_wait_names_its_day_and_ends_on_it(self, clinician, patient):
        record(clinician, patient, **{**NOTHING_TO_DECLARE, "tan": "yes", "tan_on": "2026-02-20"})
        found = standing(clinician, patient)
        assert (found["effect"], found["wait_until"]) == ("wait_until", "2026-03-20")
        later = standing(clinician, patient, on="2026-03-20")
        assert [finding["id"] for finding in later["findings"]] == []
        assert "tan" in later["expired"]

    def test_what_the_record_says_of_person_and_ink_counts(self, clinician):
        ward = make_ward(patient={"birth_date": date(2010, 1, 1)})
        person = ward.course.patient
        make_tattoo(person, parts=(("white", "solid_fill", 1.0),))
        found = standing(ward.caller(Role.TREATING_CLINICIAN), person)
        assert {f["id"] for f in found["findings"]} == {"minor", "darkening-ink"}
        of_course = standing(ward.caller(Role.TREATING_CLINICIAN), person, course=ward.course.pk)
        assert {f["id"] for f in of_course["findings"]} == {"minor"}

    def test_a_course_of_another_patient_is_not_found(self, ward, desk):
        other = make_patient(ward.clinic)
        answer = desk.get(f"/patients/{other.pk}/precautions", course=ward.course.pk)
        assert_problem(answer, 404, "course_unknown")

    def test_a_wrong_parameter_is_refused(self, desk, patient):
        path = f"/patients/{patient.pk}/precautions"
        assert_problem(desk.get(path, on="soon"), 400, "parameter_invalid")
        assert_problem(desk.get(path, today="2026-03-02"), 400, "parameter_unknown")

    def test_queries_do_not_grow_with_the_answers(self, desk, patient):
        path = f"/patients/{patient.pk}/precautions"
        make_answers(patient)
        few = queries_of(desk, path)
        for _ in range(5):
            make_answers(patient, isotretinoin="now")
            make_tattoo(patient)
        assert queries_of(desk, path) == few

    def test_who_may_not_see_answers_is_not_told_them_by_what_is_to_be_asked_again(
        self, desk, clinician, patient
    ):
        """A date is asked of who said yes to the question before it."""
        long_ago = NOW - timedelta(days=500)
        stopped = str((long_ago - timedelta(days=9)).date())
        told = {"isotretinoin": "past", "isotretinoin_stopped": stopped, "pregnancy": "no"}
        make_answers(patient, recorded_at=long_ago, **told)
        seen = set(standing(clinician, patient)["expired"])
        assert seen == {"isotretinoin", "isotretinoin_stopped", "pregnancy"}
        assert sorted(standing(desk, patient)["expired"]) == ["isotretinoin", "pregnancy"]


class TestDecisions:
    def test_a_clinician_clears_a_hold_with_a_reason(self, clinician, patient):
        record(clinician, patient, **{**NOTHING_TO_DECLARE, "isotretinoin": "now"})
        answer = decide(clinician, patient, "isotretinoin", valid_until="2026-04-01")
        assert answer.status_code == 201
        shown = answer.json()
        assert shown["decided_by"] == clinician.staff.pk
        assert shown["reason"] == "Spoke with the prescriber"
        found = standing(clinician, patient)
        assert found["clear"] is True
        assert found["findings"][0]["cleared_by"] == clinician.staff.name
        assert standing(clinician, patient, on="2026-04-02")["clear"] is False

    def test_it_ends_when_the_answer_changes_also_on_the_same_day(self, clinician, patient, clock):
        record(clinician, patient, **{**NOTHING_TO_DECLARE, "isotretinoin": "now"})
        decide(clinician, patient, "isotretinoin")
        clock.shift(timedelta(minutes=5))
        record(clinician, patient, isotretinoin="past")
        (finding,) = standing(clinician, patient)["findings"]
        assert (finding["stops"], finding["cleared_by"]) == (True, "")

    def test_the_same_answer_again_leaves_it(self, clinician, patient, clock):
        record(clinician, patient, **{**NOTHING_TO_DECLARE, "isotretinoin": "now"})
        decide(clinician, patient, "isotretinoin")
        clock.shift(timedelta(minutes=5))
        record(clinician, patient, isotretinoin="now")
        assert standing(clinician, patient)["clear"] is True

    def test_which_precaution_it_was_is_medical_detail(self, ward, clinician, desk, patient):
        """Neither shown to the front desk nor found out by a filter."""
        record(clinician, patient, keloid="yes")
        assert decide(clinician, patient, "keloid").status_code == 201
        [shown] = desk.get("/precaution-decisions").json()["items"]
        assert (shown["precaution"], shown["reason"], shown["kind"]) == (None, None, "clear")
        for asked in ("keloid", "bleeding"):
            refused = desk.get("/precaution-decisions", precaution=asked)
            assert_problem(refused, 403, "not_allowed")
        [found] = clinician.get("/precaution-decisions", precaution="keloid").json()["items"]
        assert found["precaution"] == "keloid"

    def test_it_can_be_taken_back(self, clinician, patient):
        record(clinician, patient, **{**NOTHING_TO_DECLARE, "isotretinoin": "now"})
        decide(clinician, patient, "isotretinoin")
        assert decide(clinician, patient, "isotretinoin", "withdraw").status_code == 201
        assert standing(clinician, patient)["clear"] is False
        listed = clinician.get("/precaution-decisions", patient=patient.pk).json()["items"]
        assert [one["kind"] for one in listed] == ["clear", "withdraw"]

    @pytest.mark.parametrize(
        ("answers", "precaution", "kind"),
        [
            ({"infection": "yes"}, "infection", "clear"),
            ({}, "isotretinoin", "clear"),
            ({"isotretinoin": "now"}, "isotretinoin", "withdraw"),
            ({"bleeding": "yes"}, "bleeding", "clear"),
        ],
    )
    def test_what_blocks_or_does_not_stand_is_not_cleared(
        self, clinician, patient, answers, precaution, kind
    ):
        record(clinician, patient, **{**NOTHING_TO_DECLARE, **answers})
        assert_problem(decide(clinician, patient, precaution, kind), 422, "nothing_to_clear")
        assert PrecautionDecision.objects.count() == 0

    def test_bad_input_is_refused(self, clinician, patient):
        record(clinician, patient, **{**NOTHING_TO_DECLARE, "isotretinoin": "now"})
        for changes, pointer in (
            ({"valid_until": "2026-03-01"}, "/valid_until"),
            ({"reason": " "}, "/reason"),
            ({"kind": "ignore"}, "/kind"),
        ):
            answer = decide(clinician, patient, "isotretinoin", **{"kind": "clear", **changes})
            assert pointer in pointers(assert_problem(answer, 400))
        assert_problem(decide(clinician, patient, "freckles"), 400)

    @pytest.mark.parametrize("role", [Role.FRONT_DESK, Role.LASER_OPERATOR])
    def test_only_clinicians_decide(self, ward, patient, role):
        caller = ward.caller(role)
        record(caller, patient, isotretinoin="now")
        assert_problem(decide(caller, patient, "isotretinoin"), 403)


class TestCalculator:
    def test_plain_answers_are_judged(self, operator):
        body = {"answers": {"keloid": "yes", "tan": "yes"}, "birth_date": "2015-01-01"}
        found = operator.post("/calculators/precautions", body).json()
        effects = {finding["id"]: finding["effect"] for finding in found["findings"]}
        assert effects == {
            "tan": "wait_until",
            "keloid": "hold_for_clinician",
            "minor": "hold_for_clinician",
        }
        assert found["wait_until"] == (TODAY + timedelta(days=28)).isoformat()
        assert all(finding["basis"]["source"] for finding in found["findings"])
        assert found["caution"]

    def test_bad_answers_are_refused(self, operator):
        body = {"answers": {"gold": "no", "pregnancy_until": "2026-09-01", "pregnancy": "no"}}
        problem = assert_problem(operator.post("/calculators/precautions", body), 422)
        assert pointers(problem) == {"/answers/pregnancy_until": "answers-contradict"}


def test_a_key_beyond_all_keys_is_not_found(desk):
    assert_problem(desk.get("/patients/99999999999999999999/precautions"), 404)
