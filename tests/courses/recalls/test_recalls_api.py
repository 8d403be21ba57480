"""Recalls over HTTP: lists for the front desk, withdrawing, outcomes of calls, who may."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.channels import TemporaryTrouble
from courses.models import Recall
from tests.support.api import anonymous, assert_problem, queries_of, sign_in
from tests.support.courses import make_appointment, make_contact_point, make_ward
from tests.support.factories import make_clinic
from tests.support.recalls import Remembering, make_scene, open_due, send_due, statuses

pytestmark = pytest.mark.django_db
PHONE = {"channel": "phone", "address": "+4915112345678"}


@pytest.fixture
def planned(scene):
    open_due(scene.closes_at)
    return scene


@pytest.fixture
def desk(planned):
    return sign_in(Role.FRONT_DESK, clinic=planned.ward.clinic)


@pytest.fixture
def calling(db):
    scene = make_scene(**PHONE)
    open_due(scene.closes_at)
    send_due(scene.noon)
    return scene


def items(response) -> list:
    assert response.status_code == 200, response.json()
    return response.json()["items"]


def test_shows_whom_when_why_and_how_far(planned, desk):
    [shown] = items(desk.get("/recalls"))
    message = planned.message
    assert shown["patient"] == {
        "id": planned.patient.pk,
        "given_name": "Invented",
        "family_name": planned.patient.family_name,
    }
    assert shown["clinic"] == planned.ward.clinic.pk
    assert shown["time_zone"] == "UTC"
    assert (shown["kind"], shown["status"], shown["step"]) == (
        "invitation",
        "active",
        "window-closed",
    )
    assert shown["due_at"] == "2026-02-23T10:00:00Z"
    assert [one["id"] for one in shown["messages"]] == [message.pk]
    assert shown["messages"][0]["status"] == "preparation"
    assert planned.point.address not in str(shown)


def test_one_recall_has_an_etag(planned, desk):
    response = desk.get(f"/recalls/{planned.recall.pk}")
    assert response.status_code == 200
    assert response.headers["ETag"].startswith(f'"{planned.recall.version}-')


class TestFilters:
    @pytest.fixture
    def reminder(self, planned) -> Recall:
        """A second recall of the same chain, at another clinic."""
        ward = make_ward(clinic=make_clinic(planned.ward.chain))
        make_contact_point(ward.course.patient)
        visit = make_appointment(ward, planned.closes_at + timedelta(days=1, hours=14))
        open_due(planned.closes_at + timedelta(hours=9))
        return Recall.objects.get(appointment=visit)

    @pytest.mark.parametrize(
        ("query", "kinds"),
        [
            ({}, ["invitation", "reminder"]),
            ({"kind": "reminder"}, ["reminder"]),
            ({"kind": ["reminder", "invitation"]}, ["invitation", "reminder"]),
            ({"status": "on-hold"}, []),
            ({"status": "active"}, ["invitation", "reminder"]),
            ({"end": "2026-02-23T10:00:00Z"}, []),
            ({"start": "2026-02-23T10:00:00Z"}, ["invitation", "reminder"]),
            ({"start": "2026-02-24T00:00:00Z", "end": "2026-02-25T00:00:00Z"}, []),
        ],
    )
    def test_leave_what_was_asked_for(self, reminder, desk, query, kinds):
        assert [one["kind"] for one in items(desk.get("/recalls", **query))] == kinds

    def test_by_clinic_patient_and_course(self, reminder, planned, desk):
        for name, value in {
            "clinic": reminder.course.clinic_id,
            "patient": reminder.course.patient_id,
            "course": reminder.course_id,
        }.items():
            [shown] = items(desk.get("/recalls", **{name: value}))
            assert shown["id"] == reminder.pk

    def test_an_unknown_one_is_refused(self, desk):
        assert_problem(desk.get("/recalls", urgency="high"), 400, "parameter_unknown")
        assert_problem(desk.get("/recalls", status="urgent"), 400, "parameter_invalid")


def test_the_list_of_calls(calling):
    desk = sign_in(Role.FRONT_DESK, clinic=calling.ward.clinic)
    [call] = items(desk.get("/messages", channel="phone", status="on-hold"))
    assert (call["id"], call["status_reason"]) == (calling.message.pk, "to_call")
    assert call["contact_point"] == calling.point.pk
    assert items(desk.get("/messages", channel="email")) == []
    assert items(desk.get("/messages", clinic=calling.ward.clinic.pk, recall=call["recall"]))


@pytest.mark.parametrize("path", ["/recalls", "/messages"])
def test_a_list_costs_the_same_for_two_and_for_twelve(path):
    ward = make_ward()
    desk = sign_in(Role.FRONT_DESK, clinic=ward.clinic)
    scenes = [make_scene(ward)]
    scenes += [make_scene(make_ward(clinic=ward.clinic))]
    open_due(scenes[0].closes_at)
    two = queries_of(desk, path)
    for _ in range(10):
        make_scene(make_ward(clinic=ward.clinic))
    open_due(scenes[0].closes_at)
    assert len(items(desk.get(path))) == 12
    assert queries_of(desk, path) == two


class TestWithdraw:
    def test_ends_it(self, planned, desk):
        path = f"/recalls/{planned.recall.pk}/withdraw"
        response = desk.post(path, {"reason": "asked on the phone"})
        assert response.status_code == 200
        shown = response.json()
        assert (shown["status"], shown["status_reason"]) == ("revoked", "asked on the phone")
        assert [one["status"] for one in shown["messages"]] == ["not-done"]
        assert desk.post(path, {"reason": "again"}).json() == shown

    def test_needs_a_reason(self, planned, desk):
        path = f"/recalls/{planned.recall.pk}/withdraw"
        assert_problem(desk.post(path), 400, "invalid")
        assert planned.recall.status == "active"

    def test_after_it_was_sent_what_would_follow_is_withdrawn(self, planned, desk):
        send_due(planned.noon)
        path = f"/recalls/{planned.recall.pk}/withdraw"
        shown = desk.post(path, {"reason": "asked on the phone"}).json()
        assert (shown["status"], shown["withdrawn_by"]) == ("completed", desk.staff.pk)
        assert desk.post(path, {"reason": "again"}).json() == shown

    def test_when_nothing_is_to_come_it_says_so(self, planned, desk):
        send_due(planned.noon)
        open_due(planned.noon + timedelta(days=100))
        path = f"/recalls/{planned.recall.pk}/withdraw"
        assert_problem(desk.post(path, {"reason": "late"}), 422, "nothing_to_withdraw")
        assert planned.recall.withdrawn_by is None


class TestRecordCall:
    def path(self, scene) -> str:
        return f"/messages/{scene.message.pk}/record-call"

    def record(self, caller, scene, outcome, *, etag=None):
        etag = etag or f'"{scene.message.version}"'
        return caller.client.post(
            f"/api/v1{self.path(scene)}",
            {"outcome": outcome},
            format="json",
            headers={"If-Match": etag},
        )

    @pytest.mark.parametrize(
        ("outcome", "status"), [("reached", "completed"), ("not_reached", "preparation")]
    )
    def test_outcomes(self, calling, outcome, status):
        desk = sign_in(Role.FRONT_DESK, clinic=calling.ward.clinic)
        response = self.record(desk, calling, outcome)
        assert response.status_code == 200, response.json()
        assert (response.json()["status"], response.json()["attempt"]) == (status, 1)

    def test_is_not_counted_twice(self, calling):
        desk = sign_in(Role.FRONT_DESK, clinic=calling.ward.clinic)
        etag = desk.etag(f"/messages/{calling.message.pk}")
        assert self.record(desk, calling, "not_reached", etag=etag).status_code == 200
        assert_problem(self.record(desk, calling, "not_reached", etag=etag), 412, "stale")
        assert_problem(
            desk.post(self.path(calling), {"outcome": "reached"}), 428, "precondition_required"
        )
        assert calling.message.attempt == 1

    def test_bad_outcomes_say_so(self, calling):
        desk = sign_in(Role.FRONT_DESK, clinic=calling.ward.clinic)
        assert_problem(self.record(desk, calling, "perhaps"), 400, "invalid")

    def test_an_e_mail_is_no_call(self, planned, desk):
        assert_problem(self.record(desk, planned, "reached"), 422, "call_not_open")


class TestRecordOutcome:
    @pytest.fixture
    def unknown(self, planned):
        hung_up = TemporaryTrouble("mail_server_trouble", may_have_left=True)
        send_due(planned.noon, Remembering(troubles=[hung_up], honours_keys=False))
        assert statuses([planned.recall]) == [("on-hold", "outcome_unknown")]
        return planned

    def record(self, caller, scene, outcome, *, etag=None, key=None):
        first = scene.recall.messages.order_by("pk").first()
        headers = {"If-Match": etag or f'"{first.version}"'}
        return caller.client.post(
            f"/api/v1/messages/{first.pk}/record-outcome",
            {"outcome": outcome},
            format="json",
            headers=headers | ({"Idempotency-Key": f'"{key}"'} if key else {}),
        )

    def test_the_patient_has_heard(self, unknown, desk, way):
        response = self.record(desk, unknown, "heard")
        assert response.status_code == 200, response.json()
        assert (response.json()["status"], response.json()["status_reason"]) == ("completed", "")
        assert statuses([unknown.recall]) == [("completed", "")]
        open_due(unknown.noon + timedelta(hours=1))
        assert send_due(unknown.noon + timedelta(hours=1), way) == {}

    def test_is_recorded_once(self, unknown, desk):
        etag = f'"{unknown.message.version}"'
        response = self.record(desk, unknown, "not_heard", etag=etag, key="once")
        assert (response.json()["status"], response.json()["status_reason"]) == (
            "stopped",
            "not_reached",
        )
        again = self.record(desk, unknown, "not_heard", etag=etag, key="once")
        assert again.json() == response.json()
        assert_problem(self.record(desk, unknown, "not_heard", etag=etag), 412, "stale")

    def test_bad_outcomes_say_so(self, unknown, desk):
        assert_problem(self.record(desk, unknown, "perhaps"), 400, "invalid")

    def test_of_what_is_known_nothing_is_to_be_found_out(self, planned, desk):
        assert_problem(self.record(desk, planned, "heard"), 422, "outcome_known")
        send_due(planned.noon)
        assert_problem(self.record(desk, planned, "not_heard"), 422, "outcome_known")
        assert planned.message.status == "completed"

    def test_is_found_among_all_messages(self, unknown, desk):
        other = make_scene(make_ward(clinic=unknown.ward.clinic))
        open_due(other.noon)
        send_due(other.noon)
        first, second = unknown.message.pk, other.message.pk
        for asked, found in (("true", {first}), ("false", {second})):
            told = items(desk.get("/messages", outcome_unknown=asked))
            assert {one["id"] for one in told} & {first, second} == found
        assert_problem(desk.get("/messages", outcome_unknown="yes"), 400, "parameter_invalid")
        self.record(desk, unknown, "heard")
        assert items(desk.get("/messages", outcome_unknown="true")) == []

    def test_others_may_not(self, unknown):
        elsewhere = sign_in(Role.FRONT_DESK, clinic=make_clinic(unknown.ward.chain))
        assert_problem(self.record(elsewhere, unknown, "heard"), 403)
        assert_problem(self.record(sign_in(Role.FRONT_DESK), unknown, "heard"), 404)
        assert statuses([unknown.recall]) == [("on-hold", "outcome_unknown")]


class TestWhoMay:
    @pytest.mark.parametrize(
        ("role", "status"),
        [
            (Role.CHAIN_MANAGER, 200),
            (Role.FRONT_DESK, 200),
            (Role.TREATING_CLINICIAN, 200),
            (Role.INTEGRATOR, 200),
            (Role.LASER_OPERATOR, 403),
            (Role.LASER_SAFETY_OFFICER, 403),
        ],
    )
    def test_read(self, planned, role, status):
        caller = sign_in(role, clinic=planned.ward.clinic)
        for path in ("/recalls", f"/recalls/{planned.recall.pk}", "/messages"):
            assert caller.get(path).status_code == status

    @pytest.mark.parametrize("role", [Role.CHAIN_MANAGER, Role.LASER_OPERATOR, Role.INTEGRATOR])
    def test_others_may_not_write(self, planned, role):
        caller = sign_in(role, clinic=planned.ward.clinic)
        path = f"/recalls/{planned.recall.pk}/withdraw"
        assert_problem(caller.post(path, {"reason": "x"}), 403)
        assert planned.recall.status == "active"

    def test_the_desk_of_another_clinic_may_not_write(self, planned):
        elsewhere = sign_in(Role.FRONT_DESK, clinic=make_clinic(planned.ward.chain))
        path = f"/recalls/{planned.recall.pk}/withdraw"
        assert_problem(elsewhere.post(path, {"reason": "x"}), 403)
        assert planned.recall.status == "active"

    def test_another_chain_sees_nothing(self, planned, calling):
        stranger = sign_in(Role.FRONT_DESK)
        recall, message = planned.recall.pk, calling.message.pk
        assert items(stranger.get("/recalls")) == items(stranger.get("/messages")) == []
        assert_problem(stranger.get(f"/recalls/{recall}"), 404)
        assert_problem(stranger.get(f"/messages/{message}"), 404)
        assert_problem(stranger.post(f"/recalls/{recall}/withdraw", {"reason": "x"}), 404)
        response = TestRecordCall().record(stranger, calling, "reached")
        assert_problem(response, 404)

    def test_nobody_without_a_token(self, planned):
        assert_problem(anonymous().get("/recalls"), 401)
