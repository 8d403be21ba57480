"""Courses: drafted, begun with consent, paused, ended; estimated, and planned ahead."""

from datetime import date, timedelta

import pytest
from django.db import IntegrityError, connection, transaction

from clinics.vocabulary import Role
from courses.models import Course
from courses.vocabulary import CourseStatus, InkColour, Technique
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.courses import (
    NOW,
    make_appointment,
    make_course,
    make_patient,
    make_session,
    make_tattoo,
    make_ward,
    make_window,
)

pytestmark = pytest.mark.django_db

BLACK_AND_RED = (
    (InkColour.BLACK, Technique.OUTLINE, 0.6),
    (InkColour.RED, Technique.SOLID_FILL, 0.4),
)


@pytest.fixture
def tattoo(ward):
    return make_tattoo(make_patient(ward.clinic))


def course_body(ward, tattoo, **changes) -> dict:
    return {
        "patient": tattoo.patient_id,
        "clinic": ward.clinic.pk,
        "tattoos": [tattoo.pk],
        "consented_on": "2026-03-01",
        **changes,
    }


def step(caller, course, name: str, **body):
    return caller.post(f"/courses/{course if isinstance(course, int) else course.pk}/{name}", body)


class TestDraft:
    def test_a_draft_to_clear(self, ward, clinician, tattoo):
        answer = clinician.post("/courses", course_body(ward, tattoo))
        assert answer.status_code == 201, answer.json()
        shown = answer.json()
        assert (shown["status"], shown["target_clearance"], shown["tattoos"]) == (
            "draft",
            0.95,
            [tattoo.pk],
        )

    @pytest.mark.parametrize(
        ("changes", "pointer", "code"),
        [
            ({"goal": "lighten"}, "/target_clearance", "lighten-needs-target"),
            (
                {"goal": "lighten", "target_clearance": 0.97},
                "/target_clearance",
                "target-range",
            ),
            (
                {"goal": "clear", "target_clearance": 0.5},
                "/target_clearance",
                "clear-has-no-target",
            ),
            ({"tattoos": []}, "/tattoos", "min_length"),
            ({"goal": "erase"}, "/goal", "invalid_choice"),
        ],
    )
    def test_what_does_not_go_together(self, ward, clinician, tattoo, changes, pointer, code):
        before = Course.objects.count()
        answer = clinician.post("/courses", course_body(ward, tattoo, **changes))
        assert pointers(assert_problem(answer, 400))[pointer] == code
        assert Course.objects.count() == before

    def test_tattoos_are_the_patients_own(self, ward, clinician, tattoo):
        body = course_body(ward, tattoo, tattoos=[tattoo.pk, ward.part.tattoo_id])
        problem = assert_problem(clinician.post("/courses", body), 400)
        assert pointers(problem) == {"/tattoos/1": "does_not_exist"}

    def test_a_draft_changes_freely_a_running_course_does_not(self, ward, clinician, tattoo):
        second = make_tattoo(tattoo.patient)
        draft = make_course(tattoo, status=CourseStatus.DRAFT)
        path = f"/courses/{draft.pk}"
        shown = clinician.patch(path, {"tattoos": [second.pk]}, version=clinician.etag(path)).json()
        assert (shown["tattoos"], shown["version"]) == ([second.pk], 2)
        step(clinician, draft, "activate")
        frozen = clinician.patch(path, {"tattoos": [tattoo.pk]}, version=clinician.etag(path))
        assert_problem(frozen, 409, "course_frozen")
        change = {"goal": "lighten", "target_clearance": 0.6}
        shown = clinician.patch(path, change, version=clinician.etag(path)).json()
        assert (shown["goal"], shown["target_clearance"]) == ("lighten", 0.6)


class TestSteps:
    def test_consent_comes_first(self, ward, clinician, tattoo):
        course = make_course(tattoo, status=CourseStatus.DRAFT, consented_on=None)
        assert_problem(step(clinician, course, "activate"), 422, "consent_missing")
        course.consented_on = date(2026, 3, 3)
        course.save()
        assert_problem(step(clinician, course, "activate"), 422, "consent_missing")
        course.refresh_from_db()
        assert course.status == "draft"

    def test_begins_on_the_day_at_the_clinic(self, ward, clinician, tattoo):
        course = make_course(tattoo, status=CourseStatus.DRAFT, started_on=None)
        shown = step(clinician, course, "activate").json()
        assert (shown["status"], shown["started_on"]) == ("active", "2026-03-02")

    @pytest.mark.parametrize("status", [CourseStatus.ACTIVE, CourseStatus.ON_HOLD])
    def test_a_tattoo_stands_in_one_running_course(self, ward, clinician, tattoo, status):
        running = make_course(tattoo, status=status)
        course = make_course(tattoo, status=CourseStatus.DRAFT)
        problem = assert_problem(
            step(clinician, course, "activate"), 409, "tattoo_in_running_course"
        )
        assert (problem["tattoos"], problem["courses"]) == ([tattoo.pk], [running.pk])
        course.refresh_from_db()
        assert course.status == "draft"

    def test_gold_medication_keeps_a_course_from_beginning(self, ward, clinician):
        tattoo = make_tattoo(make_patient(ward.clinic, gold_therapy_ever=True))
        course = make_course(tattoo, status=CourseStatus.DRAFT)
        assert_problem(step(clinician, course, "activate"), 422, "never_treat")

    def test_pause_and_go_on(self, ward, clinician):
        shown = step(clinician, ward.course, "hold", reason="Pregnant").json()
        assert (shown["status"], shown["status_reason"]) == ("on-hold", "Pregnant")
        desk = ward.caller(Role.FRONT_DESK).get(f"/courses/{ward.course.pk}").json()
        assert (desk["status"], desk["status_reason"]) == ("on-hold", None)
        assert step(clinician, ward.course, "resume").json()["status"] == "active"

    def test_a_pause_has_a_reason(self, ward, clinician):
        assert_problem(step(clinician, ward.course, "hold"), 400)
        ward.course.refresh_from_db()
        assert ward.course.status == "active"

    @pytest.mark.parametrize(
        ("status", "name"),
        [
            (CourseStatus.DRAFT, "hold"),
            (CourseStatus.DRAFT, "complete"),
            (CourseStatus.DRAFT, "resume"),
            (CourseStatus.ACTIVE, "activate"),
            (CourseStatus.ACTIVE, "resume"),
            (CourseStatus.ON_HOLD, "activate"),
        ],
    )
    def test_steps_that_are_not_there(self, ward, clinician, tattoo, status, name):
        course = make_course(tattoo, status=status)
        body = {"reason": "x"}
        assert_problem(step(clinician, course, name, **body), 422, "status_step_refused")
        course.refresh_from_db()
        assert course.status == status

    def test_the_database_refuses_the_same_step(self, ward, tattoo):
        course = make_course(tattoo, status=CourseStatus.DRAFT)
        with (
            pytest.raises(IntegrityError, match="cannot go from draft to completed"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(
                "UPDATE courses_course SET status = 'completed', end_reason = 'goal_reached' "
                "WHERE id = %s",
                [course.pk],
            )

    def test_completed_when_every_part_is_gone(self, ward, clinician):
        problem = assert_problem(step(clinician, ward.course, "complete"), 422, "goal_not_reached")
        assert problem["parts"] == [ward.part.pk]
        part = ward.part
        part.cleared_on = date(2026, 2, 1)
        part.save()
        shown = step(clinician, ward.course, "complete").json()
        assert (shown["status"], shown["end_reason"], shown["ended_on"]) == (
            "completed",
            "goal_reached",
            "2026-03-02",
        )
        assert_problem(step(clinician, ward.course, "hold", reason="x"), 422)

    def test_ended_early_with_a_reason(self, ward, clinician):
        assert_problem(step(clinician, ward.course, "revoke", end_reason="goal_reached"), 400)
        shown = step(
            clinician, ward.course, "revoke", end_reason="moved_away", reason="To the coast"
        ).json()
        assert (shown["status"], shown["end_reason"]) == ("revoked", "moved_away")

    def test_open_appointments_are_cancelled_first(self, ward, clinician):
        appointment = make_appointment(ward, NOW + timedelta(days=3))
        answer = step(clinician, ward.course, "revoke", end_reason="patient_stopped")
        problem = assert_problem(answer, 409, "course_has_appointments")
        assert problem["appointments"] == [appointment.pk]
        ward.course.refresh_from_db()
        assert ward.course.status == "active"

    def test_entered_in_error_while_nothing_was_treated(self, ward, clinician, tattoo):
        course = make_course(tattoo)
        shown = step(clinician, course, "mark-entered-in-error", reason="Wrong patient").json()
        assert shown["status"] == "entered-in-error"
        make_session(ward)
        answer = step(clinician, ward.course, "mark-entered-in-error", reason="x")
        assert_problem(answer, 409, "course_has_sessions")

    def test_a_stale_version_is_refused(self, ward, clinician):
        answer = clinician.client.post(
            f"/api/v1/courses/{ward.course.pk}/hold",
            {"reason": "x"},
            format="json",
            headers={"If-Match": '"99"'},
        )
        assert_problem(answer, 412, "stale")

    @pytest.mark.parametrize("role", [Role.FRONT_DESK, Role.LASER_OPERATOR, Role.CHAIN_MANAGER])
    def test_only_clinicians_lead_courses(self, ward, role):
        assert_problem(step(ward.caller(role), ward.course, "hold", reason="x"), 403)

    def test_courses_of_another_chain_do_not_exist(self, ward):
        stranger = sign_in(Role.TREATING_CLINICIAN)
        for name in ("", "/estimate", "/next-session"):
            assert_problem(stranger.get(f"/courses/{ward.course.pk}{name}"), 404)
        answer = step(stranger, ward.course, "hold", reason="x")
        assert_problem(answer, 404, "course_unknown")


class TestNextSession:
    def test_what_is_left_and_which_light_it_needs(self, clinician):
        ward = make_ward(parts=BLACK_AND_RED)
        caller = ward.caller(Role.LASER_OPERATOR)
        shown = caller.get(f"/courses/{ward.course.pk}/next-session").json()
        needs = {need["colour"]: need for need in shown["needs"]}
        assert needs["red"]["choices"][0]["wavelength_nm"] == 532
        cautions = {caution["code"] for caution in needs["red"]["choices"][0]["cautions"]}
        assert "red-532" in cautions
        assert needs["black"]["choices"][0]["wavelength_nm"] == 1064
        assert shown["wavelengths_nm"] == [532, 1064]
        assert {line["wavelength_nm"] for line in shown["lines"]} == {532, 1064}
        assert shown["length"]["minutes"] % 5 == 0
        assert shown["when"] == {
            "earliest_on": None,
            "advised_on": None,
            "closes_at": None,
            "held": [],
            "never": False,
            "reasons": [],
        }
        assert shown["basis"]
        assert shown["caution"]

    def test_parts_that_are_gone_drop_out(self):
        ward = make_ward(parts=BLACK_AND_RED)
        red = ward.parts[1]
        red.cleared_on = date(2026, 2, 1)
        red.save()
        shown = ward.caller(Role.LASER_OPERATOR).get(f"/courses/{ward.course.pk}/next-session")
        assert shown.json()["wavelengths_nm"] == [1064]
        assert shown.json()["area_cm2"] == pytest.approx(12)

    def test_from_when_and_why(self, ward, clinician):
        window = make_window(make_session(ward, NOW - timedelta(days=10)))
        when = clinician.get(f"/courses/{ward.course.pk}/next-session").json()["when"]
        assert when["earliest_on"] == window.earliest_on.isoformat()
        assert {reason["rule_id"] for reason in when["reasons"]} == {
            "healing.base",
            "healing.advised",
        }

    def test_the_front_desk_sees_what_to_book_and_no_medical_detail(self, clinician):
        ward = make_ward(patient={"skin_type": 5})
        window = make_window(make_session(ward, NOW - timedelta(days=10)))
        path = f"/courses/{ward.course.pk}/next-session"
        told = ward.caller(Role.TREATING_CLINICIAN).get(path)
        assert "Skin type V" in told.content.decode()
        shown = ward.caller(Role.FRONT_DESK).get(path)
        assert "Skin type" not in shown.content.decode()
        assert shown.json()["when"]["earliest_on"] == window.earliest_on.isoformat()
        assert shown.json()["wavelengths_nm"] == told.json()["wavelengths_nm"] != []
        assert shown.json()["length"] == told.json()["length"]

    def test_what_was_seen_before_the_first_session(self, ward, clinician):
        ward.course.observations.create(
            kind="tan", observed_on=date(2026, 2, 20), recorded_by=ward.operator
        )
        when = clinician.get(f"/courses/{ward.course.pk}/next-session").json()["when"]
        assert [(r["rule_id"], r["on"]) for r in when["reasons"]] == [("healing.sun", "2026-03-20")]

    def test_more_passes_take_longer(self, ward, clinician):
        path = f"/courses/{ward.course.pk}/next-session"
        one = clinician.get(path).json()["length"]
        four = clinician.get(path, passes=4).json()["length"]
        assert four["pulses"] == 4 * one["pulses"]
        assert four["minutes"] > one["minutes"] + 60
        assert_problem(clinician.get(path, passes=0), 400, "parameter_invalid")
        assert_problem(clinician.get(path, power=3), 400, "parameter_unknown")

    def test_nothing_left_to_treat(self, ward, clinician):
        part = ward.part
        part.cleared_on = date(2026, 2, 1)
        part.save()
        answer = clinician.get(f"/courses/{ward.course.pk}/next-session")
        assert_problem(answer, 422, "nothing_to_treat")


def test_lists_cost_the_same_for_2_rows_as_for_12(ward, clinician):
    paths = ("/courses", "/sessions", "/observations")

    def more(rows: int, *, start: int) -> None:
        for index in range(rows):
            make_course(make_tattoo(ward.course.patient), status=CourseStatus.DRAFT)
            session = make_session(ward, NOW - timedelta(days=60 + start + index))
            make_window(session)
            ward.course.observations.create(
                session=session,
                kind="erythema",
                observed_on=session.treated_on,
                recorded_by=ward.operator,
            )

    more(2, start=0)
    few = [queries_of(clinician, path) for path in paths]
    more(10, start=20)
    assert [queries_of(clinician, path) for path in paths] == few
    assert len(clinician.get("/sessions").json()["items"]) == 12
