"""Calibration on the chain's own courses: what it looks at, proposes, and what becomes of it."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext

from clinics.vocabulary import Role
from courses.calibration.as_json import report_json
from courses.calibration.records import Outcome
from courses.calibration.report import CalibrationReport
from courses.models import CalibrationDecision, CalibrationRun
from courses.selectors.calibration import calibration_data
from courses.vocabulary import CourseStatus
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.calibration_history import (
    add_sessions,
    make_past_course,
    make_past_courses,
)
from tests.support.courses import NOW, make_course, make_session, make_tattoo

pytestmark = pytest.mark.django_db


def run(caller, *, key=None):
    response = caller.post("/calibrations", key=key)
    assert response.status_code == 201, response.json()
    return response.json()


def decide(caller, pk, step, **body):
    return caller.post(f"/calibrations/{pk}/{step}", {"reason": "Fits what we see", **body})


def records(ward):
    data = calibration_data(ward.chain, now=NOW)
    return {int(record.key): record for record in data.records}


class TestCourses:
    def test_each_course_with_what_came_of_it(self, ward):
        reached = make_past_course(ward, 7)
        running = make_past_course(ward, 3, status=CourseStatus.ACTIVE)
        left = make_past_course(ward, 2, status=CourseStatus.REVOKED)
        stopped = make_past_course(ward, 4, status=CourseStatus.REVOKED)
        stopped.end_reason = "clinician_stopped"
        stopped.save()
        found = records(ward)
        assert {pk: (one.outcome, one.sessions_done) for pk, one in found.items()} == {
            reached.pk: (Outcome.REACHED, 7),
            running.pk: (Outcome.RUNNING, 3),
            left.pk: (Outcome.DROPPED_OUT, 2),
            stopped.pk: (Outcome.STOPPED, 4),
        }
        assert found[reached.pk].score == pytest.approx(10)
        assert found[reached.pk].p10 < found[reached.pk].p50 < found[reached.pk].p90

    def test_the_tattoo_that_takes_most_speaks_for_a_course(self, ward):
        course = make_past_course(ward, 7)
        course.tattoos.add(make_tattoo(course.patient, site="foot", layered=True))
        assert records(ward)[course.pk].score == pytest.approx(13)

    def test_courses_without_a_session_or_treated_before_are_left_aside(self, ward):
        make_course(clinic=ward.clinic)
        again = make_course(
            ward.part.tattoo, status=CourseStatus.COMPLETED, end_reason="goal_reached"
        )
        make_session(ward)
        add_sessions(ward, again, 1)
        later = again.sessions.get()
        later.started_at = NOW
        later.treated_on = NOW.date()
        later.save()
        assert set(records(ward)) == {ward.course.pk}

    def test_a_course_that_cannot_be_estimated_is_counted_and_left_out(self, ward):
        course = make_past_course(ward, 7)
        course.tattoos.get().parts.update(share=0.4)
        data = calibration_data(ward.chain, now=NOW)
        assert (data.records, data.left_out) == ((), 1)

    def test_another_chains_courses_are_none_of_its_business(self, ward):
        make_past_course(ward, 7)
        stranger = sign_in(Role.TREATING_CLINICIAN)
        assert run(stranger)["courses"] == 0

    def test_queries_do_not_grow_with_the_courses(self, ward):
        def cost():
            with CaptureQueriesContext(connection) as seen:
                calibration_data(ward.chain, now=NOW)
            return len(seen)

        make_past_courses(ward, 2)
        few = cost()
        make_past_courses(ward, 10)
        assert cost() == few


class TestRun:
    def test_below_30_courses_it_says_that_there_is_too_little_data(self, ward, clinician):
        make_past_courses(ward, 29)
        shown = run(clinician)
        assert (shown["status"], shown["courses"]) == ("inconclusive", 29)
        assert "Too little data: 29 courses" in shown["messages"][0]
        assert shown["multiplier"] is None
        assert shown["report"]["coverage"] is None
        assert_problem(decide(clinician, shown["id"], "accept"), 422, "nothing_proposed")

    def test_with_enough_it_proposes_a_prior_and_shows_why(self, ward, clinician):
        make_past_courses(ward, 40, ratio=0.6)
        make_past_course(ward, 3, status=CourseStatus.REVOKED)
        shown = run(clinician)
        report = shown["report"]
        assert (shown["number"], shown["status"], shown["reached"]) == (1, "proposed", 40)
        assert shown["multiplier"] == pytest.approx(0.6, abs=0.06)
        assert report["refit"]["proposed"]["multiplier_low"] < shown["multiplier"]
        assert report["accuracy"]["ratio"] < 0.8
        assert report["coverage"]["as_expected"] is False
        assert report["drop_out"]["share"]["events"] == 1
        assert report["curve"]["median"] is not None
        assert {basis["id"] for basis in report["basis"]} == {
            "calibration.report",
            "calibration.refit",
        }
        assert report["caution"]
        assert shown["requested_by"] == clinician.staff.pk

    def test_nothing_changes_until_a_clinician_accepts(self, ward, clinician):
        make_past_courses(ward, 40)
        path = f"/courses/{ward.course.pk}/estimate"
        before = clinician.get(path).json()
        shown = run(clinician)
        assert clinician.get(path).json() == before
        accepted = decide(clinician, shown["id"], "accept")
        assert accepted.status_code == 200
        after = clinician.get(path).json()
        assert after["prior"]["version"] == "calibration:1"
        assert after["prior"]["multiplier"] == pytest.approx(shown["multiplier"])
        assert after["total"]["p50"] < before["total"]["p50"]
        (note,) = [n for n in after["tattoos"][0]["notes"] if n["id"] == "scale-reading"]
        assert "calibration:1" in note["text"]

    def test_a_repeat_with_the_same_key_runs_once(self, ward, clinician):
        first, again = run(clinician, key="c1"), run(clinician, key="c1")
        assert first == again
        assert CalibrationRun.objects.count() == 1


REPORT = {
    **report_json(
        CalibrationReport(
            courses=40,
            counts=tuple((outcome, 10) for outcome in Outcome),
            enough=True,
            messages=("Made up for a test.",),
        )
    ),
    "left_out": 0,
}


def make_run(chain, number):
    return CalibrationRun.objects.create(
        chain=chain,
        number=number,
        status="proposed",
        courses=40,
        reached=10,
        multiplier=0.7,
        coefficient_of_variation=0.3,
        prior_version="published",
        report=REPORT,
    )


class TestDecision:
    @pytest.fixture
    def runs(self, ward):
        return [make_run(ward.chain, number).pk for number in (1, 2)]

    def test_a_newer_one_takes_the_place_of_the_accepted_one(self, clinician, runs):
        for pk in runs:
            assert decide(clinician, pk, "accept").status_code == 200
        states = [clinician.get(f"/calibrations/{pk}").json()["status"] for pk in runs]
        assert states == ["superseded", "accepted"]
        assert_problem(decide(clinician, runs[0], "accept"), 422, "status_step_refused")

    def test_it_can_be_refused_and_then_no_longer_accepted(self, clinician, runs):
        assert decide(clinician, runs[0], "refuse").json()["status"] == "refused"
        assert_problem(decide(clinician, runs[0], "accept"), 422, "status_step_refused")
        assert_problem(decide(clinician, runs[0], "refuse"), 422, "status_step_refused")

    def test_withdrawn_the_chains_own_multiplier_counts_again(self, ward, clinician, runs):
        decide(clinician, runs[0], "accept")
        shown = decide(clinician, runs[0], "withdraw", reason="Too quick for legs").json()
        assert [one["kind"] for one in shown["decisions"]] == ["accept", "withdraw"]
        assert shown["decisions"][1]["reason"] == "Too quick for legs"
        path = f"/courses/{ward.course.pk}/estimate"
        assert clinician.get(path).json()["prior"]["version"] == "published"

    def test_decisions_stay(self, clinician, runs):
        decide(clinician, runs[0], "accept")
        with pytest.raises(DatabaseError, match="only grows"), transaction.atomic():
            CalibrationDecision.objects.all().delete()

    def test_the_database_keeps_the_steps_and_one_in_force(self, clinician, runs):
        decide(clinician, runs[0], "refuse")
        with pytest.raises(DatabaseError, match="cannot go"), transaction.atomic():
            CalibrationRun.objects.filter(pk=runs[0]).update(status="accepted")
        decide(clinician, runs[1], "accept")
        third = CalibrationRun.objects.get(pk=runs[1])
        third.pk, third.number = None, 9
        third._state.adding = True
        with pytest.raises(DatabaseError, match="one_accepted"), transaction.atomic():
            third.save(force_insert=True)

    def test_a_reason_is_needed_and_a_version_is_checked(self, clinician, runs):
        problem = assert_problem(decide(clinician, runs[0], "accept", reason=""), 400)
        assert pointers(problem) == {"/reason": "blank"}
        stale = clinician.client.post(
            f"/api/v1/calibrations/{runs[0]}/accept",
            {"reason": "x"},
            format="json",
            headers={"If-Match": '"7"'},
        )
        assert_problem(stale, 412, "stale")

    def test_who_may(self, ward, manager, desk, runs):
        assert len(manager.get("/calibrations").json()["items"]) == 2
        assert manager.post("/calibrations").status_code == 201
        assert_problem(decide(manager, runs[0], "accept"), 403)
        assert_problem(desk.get("/calibrations"), 403)
        assert_problem(desk.post("/calibrations"), 403)
        stranger = sign_in(Role.TREATING_CLINICIAN)
        assert_problem(decide(stranger, runs[0], "accept"), 404, "calibration_unknown")

    def test_lists_cost_the_same_and_take_a_status(self, clinician, runs):
        few = queries_of(clinician, "/calibrations")
        for number in range(3, 13):
            make_run(clinician.staff.chain, number)
        assert queries_of(clinician, "/calibrations") == few
        decide(clinician, runs[0], "accept")
        listed = clinician.get("/calibrations", status="accepted").json()["items"]
        assert [one["id"] for one in listed] == [runs[0]]


class TestCommand:
    def test_it_says_what_it_does_and_keeps_a_run(self, ward):
        make_past_courses(ward, 30)
        out = StringIO()
        call_command("calibrate", chain=ward.chain.pk, stdout=out)
        said = out.getvalue()
        assert "30 courses read" in said
        assert "refit of the prior" in said
        assert "waits for a treating clinician" in said
        assert CalibrationRun.objects.get().requested_by is None

    def test_a_chain_that_is_not_there(self, db):
        with pytest.raises(CommandError):
            call_command("calibrate", chain=999_999, stdout=StringIO())
