"""The waiting list: who waits, for what, and for how long."""

import pytest

from clinics.vocabulary import Role
from courses.models import Course, WaitingListEntry
from courses.vocabulary import CourseStatus, WaitingStatus
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.booking import make_running_course, make_stage
from tests.support.factories import make_clinic
from tests.support.frontdesk import wait

pytestmark = pytest.mark.django_db


def body(stage, **changes):
    return {
        "course": stage.course.pk,
        "clinics": [{"clinic": stage.clinic.pk, "preference": 0.8}],
        "wishes": [{"weekdays": [1, 2], "since": "09:00", "until": "12:30"}],
        "technique": {"passes": 2},
        "notice_hours": 24,
        **changes,
    }


def test_an_entry_says_what_the_patient_wishes(stage, desk):
    answer = desk.post("/waiting-list", body(stage))
    assert answer.status_code == 201, answer.json()
    entry = answer.json()
    assert entry["status"] == "waitlist"
    assert entry["since"] == "2026-03-02T08:00:00Z"
    assert entry["patient"] == stage.course.patient_id
    assert entry["clinics"] == [{"clinic": stage.clinic.pk, "preference": 0.8}]
    assert entry["wishes"] == [{"weekdays": [1, 2], "since": "09:00:00", "until": "12:30:00"}]
    assert entry["technique"]["passes"] == 2
    assert desk.get(f"/waiting-list/{entry['id']}").json() == entry
    assert desk.get("/waiting-list", clinic=stage.clinic.pk).json()["items"] == [entry]
    assert desk.get("/waiting-list", status="booked").json()["items"] == []


def test_a_course_waits_once(stage, desk):
    desk.post("/waiting-list", body(stage))
    assert_problem(desk.post("/waiting-list", body(stage)), 409, "already_waiting")
    assert WaitingListEntry.objects.count() == 1


def test_who_is_taken_off_may_be_put_on_again(stage, desk):
    entry = desk.post("/waiting-list", body(stage)).json()
    path = f"/waiting-list/{entry['id']}"
    assert_problem(desk.delete(path), 428, "precondition_required")
    assert desk.delete(path, version=entry["version"]).status_code == 204
    assert desk.get(path).json()["status"] == "cancelled"
    assert_problem(desk.delete(path, version=entry["version"] + 1), 422, "status_step_refused")
    assert desk.post("/waiting-list", body(stage)).status_code == 201


def test_only_a_running_course_waits(stage, desk):
    Course.objects.filter(pk=stage.course.pk).update(status=CourseStatus.ON_HOLD)
    assert_problem(desk.post("/waiting-list", body(stage)), 422, "course_not_running")


@pytest.mark.parametrize(
    ("changes", "status", "code"),
    [
        ({"clinics": []}, 400, "invalid"),
        ({"clinics": [{"clinic": 10**9}]}, 400, "invalid"),
        ({"wishes": [{"weekdays": [0]}]}, 400, "invalid"),
        ({"wishes": [{"weekdays": []}]}, 400, "invalid"),
        ({"wishes": [{"since": "12:00", "until": "09:00"}]}, 422, "input_refused"),
        ({"notice_hours": -1}, 400, "invalid"),
        ({"technique": {"passes": 11}}, 400, "invalid"),
        ({"course": 10**9}, 400, "invalid"),
    ],
)
def test_odd_entries_are_refused(stage, desk, changes, status, code):
    problem = assert_problem(desk.post("/waiting-list", body(stage, **changes)), status, code)
    assert problem["errors"]
    assert not WaitingListEntry.objects.exists()


def test_a_clinic_is_named_once(stage, desk):
    twice = [{"clinic": stage.clinic.pk}, {"clinic": stage.clinic.pk}]
    assert_problem(desk.post("/waiting-list", body(stage, clinics=twice)), 400, "invalid")


def test_who_may_see_and_change_it(stage, desk):
    entry = desk.post("/waiting-list", body(stage)).json()
    path = f"/waiting-list/{entry['id']}"
    operator = sign_in(Role.LASER_OPERATOR, clinic=stage.clinic)
    assert_problem(operator.get("/waiting-list"), 403)
    assert_problem(operator.post("/waiting-list", body(stage)), 403)
    manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
    assert manager.get(path).status_code == 200
    assert_problem(manager.delete(path, version=1), 403)


def test_another_chain_sees_nothing(stage, desk):
    entry = desk.post("/waiting-list", body(stage)).json()
    stranger = sign_in(Role.FRONT_DESK)
    assert_problem(stranger.get(f"/waiting-list/{entry['id']}"), 404)
    assert_problem(stranger.delete(f"/waiting-list/{entry['id']}", version=1), 404)
    assert stranger.get("/waiting-list").json()["items"] == []
    foreign = make_stage()
    assert_problem(
        desk.post("/waiting-list", body(stage, course=foreign.course.pk)), 400, "invalid"
    )


def test_the_list_is_by_waiting_time_and_costs_the_same_for_two_and_for_twelve(stage, desk):
    second = make_clinic(stage.chain)
    costs = []
    for count in (2, 10):
        for _ in range(count):
            course = make_running_course(stage.clinic)
            wait(stage, course, clinics={stage.clinic.pk: 1.0, second.pk: 0.5})
        costs.append(queries_of(desk, "/waiting-list"))
    assert costs[0] == costs[1]
    assert set(WaitingListEntry.objects.values_list("status", flat=True)) == {
        WaitingStatus.WAITLIST
    }
