"""Precautions where they count: before a session, at arrival, and on the desk's list."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import Appointment, Session
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.courses import (
    NOTHING_TO_DECLARE,
    NOW,
    make_answers,
    make_appointment,
    make_ward,
)

pytestmark = pytest.mark.django_db

EARLIER = NOW - timedelta(days=20)


@pytest.fixture
def ward(db):
    return make_ward(asked=False)


def answered(ward, *, at=NOW - timedelta(hours=2), **answers):
    told = {**NOTHING_TO_DECLARE, **answers}
    return make_answers(ward.course.patient, recorded_at=at, **told)


def checks_of(body):
    return {check["id"]: check for check in body["checks"] if check["result"] != "passed"}


class TestBeforeASession:
    def test_nothing_to_declare_passes_every_check(self, ward, operator):
        answered(ward)
        answer = operator.post("/sessions", ward.session_body(), key="s1")
        assert answer.status_code == 201, answer.json()
        assert {check["result"] for check in answer.json()["checks"]} == {"passed"}

    @pytest.mark.parametrize(
        ("answers", "check", "overridable"),
        [
            ({"infection": "yes"}, "precaution_block", False),
            ({"ink_reaction": "yes"}, "precaution_block", False),
            ({"pregnancy": "pregnant"}, "precaution_wait", True),
            ({"tan": "yes", "tan_on": "2026-02-25"}, "precaution_wait", True),
            ({"isotretinoin": "now"}, "precaution_hold", True),
            ({"mole": "unsure"}, "precaution_hold", True),
        ],
    )
    def test_what_stops_refuses_the_record_and_nothing_is_written(
        self, ward, operator, answers, check, overridable
    ):
        answered(ward, **answers)
        problem = assert_problem(
            operator.post("/sessions", ward.session_body(), key="s1"), 422, "session_refused"
        )
        (failed,) = problem["checks"]
        assert (failed["id"], failed["overridable"]) == (check, overridable)
        assert failed["numbers"]["source"]
        assert Session.objects.count() == 0

    def test_a_clinicians_reason_overrides_a_hold_but_no_block(self, ward, clinician):
        answered(ward, isotretinoin="now")
        body = ward.session_body(override_reason="Prescriber agrees")
        answer = clinician.post("/sessions", body, key="s1")
        assert answer.status_code == 201
        assert checks_of(answer.json())["precaution_hold"]["result"] == "overridden"
        other = make_ward(asked=False)
        answered(other, infection="yes")
        blocked = other.caller(Role.TREATING_CLINICIAN).post(
            "/sessions", other.session_body(override_reason="It is nothing"), key="s2"
        )
        assert_problem(blocked, 422, "session_refused")

    def test_what_a_clinician_cleared_stops_nothing(self, ward, clinician, operator):
        answered(ward, isotretinoin="now")
        decision = {
            "patient": ward.course.patient_id,
            "precaution": "isotretinoin",
            "kind": "clear",
            "reason": "Prescriber agrees",
        }
        assert clinician.post("/precaution-decisions", decision).status_code == 201
        answer = operator.post("/sessions", ward.session_body(), key="s1")
        assert answer.status_code == 201, answer.json()

    def test_warnings_and_gaps_are_shown_and_stop_nothing(self, ward, operator):
        body = operator.post("/sessions/preview", ward.session_body()).json()
        assert checks_of(body)["precautions_answered"]["result"] == "warning"
        answered(ward, at=NOW - timedelta(days=10), bleeding="yes")
        found = checks_of(operator.post("/sessions/preview", ward.session_body()).json())
        assert found["precaution_warning"]["numbers"]["precaution"] == "bleeding"
        assert "infection" in found["precautions_answered"]["numbers"]["expired"]

    def test_what_was_answered_after_the_day_of_a_session_does_not_count_for_it(
        self, ward, operator
    ):
        answered(ward, at=NOW - timedelta(days=2))
        answered(ward, infection="yes")
        body = ward.session_body(NOW - timedelta(days=1))
        answer = operator.post("/sessions", body, key="s1")
        assert answer.status_code == 201, answer.json()

    def test_a_wait_is_judged_on_the_day_of_the_session(self, ward, operator):
        answered(ward, tan="yes", tan_on="2026-02-02")
        answer = operator.post("/sessions", ward.session_body(), key="s1")
        assert answer.status_code == 201, answer.json()


def booked(ward, starts_at, *, on=EARLIER, **fields):
    row = make_appointment(ward, starts_at, **fields)
    Appointment.objects.filter(pk=row.pk).update(created_at=on)
    row.refresh_from_db()
    return row


def step(caller, appointment, name):
    return caller.client.post(
        f"/api/v1/appointments/{appointment.pk}/{name}",
        {},
        format="json",
        headers={"If-Match": "*"},
    )


class TestArrival:
    def test_what_has_come_up_since_the_booking_is_shown(self, ward, clinician):
        answered(ward, at=EARLIER - timedelta(days=1), mole="yes")
        appointment = booked(ward, NOW)
        answered(ward, mole="yes", isotretinoin="now")
        found = step(clinician, appointment, "arrive").json()["precautions"]
        assert {finding["id"] for finding in found["findings"]} == {"mole", "isotretinoin"}
        assert [finding["id"] for finding in found["new"]] == ["isotretinoin"]
        assert found["clear"] is False
        assert found["caution"]

    def test_answers_too_old_are_to_be_asked_again(self, ward, clinician):
        answered(ward, at=EARLIER)
        found = step(clinician, booked(ward, NOW), "arrive").json()["precautions"]
        assert {"infection", "tan"} <= set(found["expired"])
        assert found["new"] == []

    def test_gold_that_came_to_light_is_new(self, ward, clinician):
        answered(ward, at=EARLIER)
        appointment = booked(ward, NOW)
        answered(ward, gold="yes")
        found = step(clinician, appointment, "arrive").json()["precautions"]
        assert [finding["id"] for finding in found["new"]] == ["gold"]

    def test_who_is_stopped_does_not_get_to_the_chair(self, ward, clinician):
        answered(ward, isotretinoin="now")
        appointment = booked(ward, NOW, status="arrived")
        problem = assert_problem(step(clinician, appointment, "check-in"), 422, "precautions_stand")
        (finding,) = problem["findings"]
        assert (finding["id"], finding["clearable"]) == ("isotretinoin", True)
        appointment.refresh_from_db()
        assert appointment.status == "arrived"
        clinician.post(
            "/precaution-decisions",
            {
                "patient": ward.course.patient_id,
                "precaution": "isotretinoin",
                "kind": "clear",
                "reason": "Prescriber agrees",
            },
        )
        assert step(clinician, appointment, "check-in").status_code == 200

    def test_the_desk_learns_that_one_stands_and_not_which(self, ward, desk):
        answered(ward, at=EARLIER - timedelta(days=1))
        appointment = booked(ward, NOW)
        answered(ward, isotretinoin="now")
        found = step(desk, appointment, "arrive").json()["precautions"]
        assert (found["findings"], found["new"], found["basis"]) == (None, None, None)
        assert (found["clear"], found["any_new"], found["effect"]) == (
            False,
            True,
            "hold_for_clinician",
        )
        answer = step(desk, appointment, "check-in")
        problem = assert_problem(answer, 422, "precautions_stand")
        assert problem["findings"] == [
            {"effect": "hold_for_clinician", "until": None, "clearable": True}
        ]
        assert "isotretinoin" not in str(problem)

    def test_unanswered_questions_stop_nobody_at_the_desk(self, ward, desk):
        appointment = booked(ward, NOW, status="arrived")
        assert step(desk, appointment, "check-in").status_code == 200


class TestAttention:
    PATH = "/appointments/precautions"

    def listed(self, caller, **query):
        response = caller.get(self.PATH, **query)
        assert response.status_code == 200, response.json()
        return response.json()["items"]

    def test_appointments_to_come_that_an_answer_stops(self, ward, clinician):
        answered(ward, at=EARLIER - timedelta(days=1))
        later = booked(ward, NOW + timedelta(days=5))
        assert self.listed(clinician) == []
        answered(ward, pregnancy="pregnant", pregnancy_until="2026-09-01")
        (row,) = self.listed(clinician, clinic=ward.clinic.pk)
        assert row["id"] == later.pk
        assert row["precautions"]["wait_until"] == "2026-09-01"
        assert [finding["id"] for finding in row["precautions"]["new"]] == ["pregnancy"]

    def test_a_wait_that_is_over_by_the_day_is_not_listed(self, ward, desk):
        answered(ward, tan="yes", tan_on="2026-02-20")
        booked(ward, NOW + timedelta(days=30))
        assert self.listed(desk) == []

    def test_past_and_ended_ones_are_not_listed(self, ward, desk):
        answered(ward, infection="yes")
        booked(ward, NOW - timedelta(days=1))
        booked(ward, NOW + timedelta(days=1), status="cancelled")
        assert self.listed(desk) == []

    def test_gold_and_minors_are_found_without_an_answer(self, clinician, ward):
        for person in ({"gold_therapy_ever": True}, {"birth_date": "2010-06-01"}):
            other = make_ward(clinic=ward.clinic, patient=person)
            booked(other, NOW + timedelta(days=1))
        ids = {row["precautions"]["findings"][0]["id"] for row in self.listed(clinician)}
        assert ids == {"gold", "minor"}

    def test_patients_never_asked_on_request(self, ward, desk):
        booked(ward, NOW + timedelta(days=1))
        assert self.listed(desk) == []
        (row,) = self.listed(desk, unasked="true")
        assert row["precautions"]["asked"] is False

    def test_it_costs_the_same_for_two_as_for_twelve(self, ward, desk):
        def stopped():
            other = make_ward(clinic=ward.clinic, asked=False)
            answered(other, isotretinoin="now")
            booked(other, NOW + timedelta(days=1))

        stopped()
        stopped()
        few = queries_of(desk, self.PATH)
        for _ in range(10):
            stopped()
        assert queries_of(desk, self.PATH) == few

    def test_who_may_and_what_is_refused(self, ward, desk, manager):
        assert_problem(manager.get(self.PATH), 403)
        assert_problem(desk.get(self.PATH, unasked="perhaps"), 400, "parameter_invalid")
        assert_problem(desk.get(self.PATH, attention="yes"), 400, "parameter_unknown")
        answered(ward, infection="yes")
        booked(ward, NOW + timedelta(days=1))
        assert self.listed(sign_in(Role.FRONT_DESK)) == []
