"""A session recorded over the API: all of it, once, or nothing."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import HealingWindow, Session, TreatmentPass
from devices.models import PulseEntry
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.courses import NOW, make_appointment, make_session, make_ward, make_window

pytestmark = pytest.mark.django_db


def nothing_written() -> bool:
    return not (
        Session.objects.exists()
        or TreatmentPass.objects.exists()
        or PulseEntry.objects.exists()
        or HealingWindow.objects.exists()
    )


def test_records_session_passes_pulses_and_window(ward, operator):
    answer = operator.post("/sessions", ward.session_body(), key="s1")
    assert answer.status_code == 201, answer.json()
    body = answer.json()
    assert body["status"] == "completed"
    assert body["treated_on"] == "2026-03-02"
    (one,) = body["passes"]
    entry = PulseEntry.objects.get(pk=one["pulse_entry"])
    assert (entry.pulses, entry.purpose, entry.source) == (
        200,
        "treatment",
        f"session:{body['id']}",
    )
    assert entry.operator == ward.operator
    window = HealingWindow.objects.get(pk=body["healing_window"])
    assert (window.state, window.earliest_on.isoformat()) == ("open", "2026-04-13")
    assert window.versions.get().cause == f"session:{body['id']}"
    assert {check["result"] for check in body["checks"]} == {"passed"}
    assert answer.headers["Location"].endswith(f"/sessions/{body['id']}")


def test_same_key_answers_byte_for_byte_and_writes_one_set(ward, operator):
    first = operator.post("/sessions", ward.session_body(), key="s1")
    again = operator.post("/sessions", ward.session_body(), key="s1")
    assert (again.status_code, again.content) == (201, first.content)
    assert again.headers["Idempotency-Replayed"] == "true"
    assert Session.objects.count() == PulseEntry.objects.count() == 1
    assert HealingWindow.objects.count() == 1


def test_needs_a_key(ward, operator):
    assert_problem(operator.post("/sessions", ward.session_body()), 400, "idempotency_key_missing")
    assert nothing_written()


def test_takes_place_and_people_from_the_appointment_and_fulfils_it(ward, operator):
    appointment = make_appointment(ward, NOW - timedelta(minutes=30))
    body = ward.session_body(appointment=appointment.pk)
    for name in ("clinic", "room", "laser", "operator"):
        del body[name]
    answer = operator.post("/sessions", body, key="s1")
    assert answer.status_code == 201, answer.json()
    assert answer.json()["laser"] == ward.laser.pk
    appointment.refresh_from_db()
    assert appointment.status == "fulfilled"


def test_an_appointment_has_one_session(ward, operator):
    appointment = make_appointment(ward, NOW - timedelta(minutes=30))
    body = ward.session_body(appointment=appointment.pk)
    first = operator.post("/sessions", body, key="s1").json()
    problem = assert_problem(
        operator.post("/sessions", body, key="s2"), 409, "session_already_recorded"
    )
    assert problem["session"] == first["id"]
    assert Session.objects.count() == 1


def test_without_appointment_place_and_people_are_named(ward, operator):
    body = ward.session_body()
    del body["room"], body["laser"]
    problem = assert_problem(operator.post("/sessions", body, key="s1"), 400)
    assert pointers(problem) == {"/room": "required", "/laser": "required"}
    assert nothing_written()


def test_torn_epidermis_stops_the_session_and_holds_the_window(ward, operator):
    passes = [ward.pass_body(responses=["torn_epidermis"])]
    answer = operator.post("/sessions", ward.session_body(passes=passes), key="s1")
    body = answer.json()
    assert (body["status"], body["status_reason"]) == ("stopped", "Torn epidermis")
    window = HealingWindow.objects.get(pk=body["healing_window"])
    assert (window.state, window.earliest_on, window.closes_at) == ("held", None, None)


def test_what_has_not_happened_is_not_recorded(ward, operator):
    body = ward.session_body(NOW + timedelta(minutes=10))
    problem = assert_problem(operator.post("/sessions", body, key="s1"), 400)
    assert pointers(problem) == {"/started_at": "in_the_future"}
    assert nothing_written()


def test_times_run_forwards(ward, operator):
    starts = NOW - timedelta(minutes=30)
    body = ward.session_body(
        passes=[ward.pass_body(starts - timedelta(minutes=1))],
        ended_at=(starts - timedelta(minutes=5)).isoformat(),
    )
    problem = assert_problem(operator.post("/sessions", body, key="s1"), 400)
    assert pointers(problem) == {"/passes/0/started_at": "order", "/ended_at": "order"}
    assert nothing_written()


def test_naive_instants_are_refused(ward, operator):
    body = ward.session_body()
    body["started_at"] = "2026-03-02T07:30:00"
    problem = assert_problem(operator.post("/sessions", body, key="s1"), 400)
    assert pointers(problem) == {"/started_at": "naive"}


@pytest.mark.parametrize(
    "role", [Role.FRONT_DESK, Role.CHAIN_MANAGER, Role.LASER_SAFETY_OFFICER, Role.INTEGRATOR]
)
def test_other_roles_may_not_record(ward, role):
    answer = ward.caller(role).post("/sessions", ward.session_body(), key="s1")
    assert_problem(answer, 403)
    assert nothing_written()


def test_an_operator_of_another_clinic_may_not_record_here(ward):
    stranger = sign_in(
        Role.LASER_OPERATOR,
        clinic=ward.clinic.chain.clinics.create(name="Elsewhere", time_zone="UTC", country="DE"),
    )
    assert_problem(stranger.post("/sessions", ward.session_body(), key="s1"), 403, "not_allowed")
    assert nothing_written()


def test_sessions_of_another_chain_do_not_exist(ward, operator):
    session = make_session(ward)
    stranger = sign_in(Role.TREATING_CLINICIAN)
    assert_problem(stranger.get(f"/sessions/{session.pk}"), 404)
    answer = stranger.post(f"/sessions/{session.pk}/mark-entered-in-error", {"reason": "x"})
    assert_problem(answer, 404)
    body = ward.session_body()
    problem = assert_problem(stranger.post("/sessions", body, key="s1"), 400)
    assert "/course" in pointers(problem)


def test_list_narrows_by_course_and_time(ward, operator):
    old = make_session(ward, NOW - timedelta(days=60))
    make_window(old)
    make_session(ward, NOW - timedelta(days=10))
    listed = operator.get(
        "/sessions", course=ward.course.pk, end=(NOW - timedelta(days=30)).isoformat()
    ).json()["items"]
    assert [one["id"] for one in listed] == [old.pk]
    assert listed[0]["healing_window"] == old.healing_window.pk
    assert "checks" not in listed[0]


def test_rows_of_another_chain_are_not_known(ward, operator):
    other = make_ward()
    body = ward.session_body(
        room=other.room.pk,
        operator=other.operator.pk,
        passes=[
            ward.pass_body(),
            ward.pass_body(line=other.line().pk, handpiece=other.handpiece.pk),
        ],
    )
    for name in ("room", "operator", "line", "handpiece"):
        problem = assert_problem(operator.post("/sessions", body, key="s1"), 400, "invalid")
        (pointer,) = pointers(problem)
        assert pointer.endswith(f"/{name}")
        if name in body:
            body[name] = getattr(ward, name).pk
        else:
            body["passes"][1][name] = body["passes"][0][name]
    assert nothing_written()
