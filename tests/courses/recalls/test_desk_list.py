"""Who is ready and not booked, and what watchers are told."""

from datetime import timedelta

import pytest
import time_machine

from clinics.vocabulary import Role
from courses.models import Appointment, Course, Message, Recall, RecallPause, Reply
from courses.selectors.recalls.operation import message_gauges
from courses.timing.dropout import drop_out_risk
from courses.timing.words import DeskState
from courses.vocabulary import CourseStatus
from tests.support.api import anonymous, assert_problem, queries_of, sign_in
from tests.support.courses import (
    make_appointment,
    make_contact_point,
    make_course,
    make_session,
    make_tattoo,
    make_ward,
    make_window,
)
from tests.support.factories import make_clinic
from tests.support.recalls import TREATED_AT, make_scene, open_due, send_due

pytestmark = pytest.mark.django_db


@pytest.fixture
def clinic():
    return make_clinic()


@pytest.fixture
def scene(clinic):
    return make_scene(make_ward(clinic=clinic))


@pytest.fixture
def desk(clinic):
    return sign_in(Role.FRONT_DESK, clinic=clinic)


def listed(desk, at, **query):
    with time_machine.travel(at, tick=False):
        answer = desk.get("/recall-list", **query)
    assert answer.status_code == 200, answer.json()
    return answer.json()["items"]


class TestTheList:
    def test_due_then_invited_then_silent(self, scene, desk):
        open_due(scene.noon)
        [row] = listed(desk, scene.noon)
        assert (row["state"], row["days_overdue"], row["sessions_done"]) == ("due", 0, 1)
        assert row["patient"]["family_name"] == scene.patient.family_name
        assert row["contact_points"][0]["address"] == scene.point.address
        send_due(scene.noon)
        assert listed(desk, scene.noon)[0]["state"] == "invited"
        [row] = listed(desk, scene.noon + timedelta(days=10))
        assert (row["state"], row["days_overdue"]) == ("no_answer", 10)
        assert row["drop_out_risk"]["points"] == 2

    def test_a_second_course_on_the_same_skin_is_on_it(self, scene, desk):
        Course.objects.filter(pk=scene.course.pk).update(
            status=CourseStatus.REVOKED, end_reason="another way", ended_on="2026-02-01"
        )
        again = make_course(*scene.course.tattoos.all(), clinic=scene.ward.clinic)
        open_due(scene.noon)
        [row] = listed(desk, scene.noon)
        assert (row["id"], row["ready_on"]) == (again.pk, scene.closes_at.date().isoformat())

    def test_a_course_is_ready_when_all_its_skin_is(self, scene, desk):
        other = make_tattoo(scene.patient)
        scene.course.tattoos.add(other)
        later = make_window(
            make_session(scene.ward, TREATED_AT + timedelta(days=20), parts=other.parts.all())
        )
        open_due(scene.noon)
        assert listed(desk, scene.noon) == []
        noon = later.closes_at + timedelta(hours=12)
        open_due(noon)
        [row] = listed(desk, noon)
        assert row["ready_on"] == later.closes_at.date().isoformat()

    def test_whoever_heals_or_is_booked_is_not_on_it(self, scene, desk):
        assert listed(desk, scene.noon) == []
        open_due(scene.noon)
        make_appointment(scene.ward, scene.noon + timedelta(days=3))
        assert Appointment.objects.get().status == "booked"
        assert listed(desk, scene.noon) == []

    def test_a_call_and_nobody_to_reach(self, clinic, desk):
        called = make_scene(make_ward(clinic=clinic), channel="phone", address="+49301234567")
        lost = make_scene(make_ward(clinic=clinic), consented_at=None)
        open_due(called.noon)
        send_due(called.noon)
        rows = {row["id"]: row for row in listed(desk, called.noon)}
        assert rows[called.course.pk]["state"] == "to_call"
        assert rows[called.course.pk]["call"]["id"] == Message.objects.get(status="on-hold").pk
        assert rows[lost.course.pk]["state"] == "unreachable"
        assert [row["id"] for row in listed(desk, called.noon, state="unreachable")] == [
            lost.course.pk
        ]
        assert listed(desk, called.noon, overdue_days=5) == []

    def test_each_state_is_a_filter_that_finds_what_is_shown(self, clinic, desk, scene):
        others = [make_scene(make_ward(clinic=clinic)) for _ in range(3)]
        make_scene(make_ward(clinic=clinic), channel="phone", address="+49301234567")
        make_scene(make_ward(clinic=clinic), consented_at=None)
        open_due(scene.noon)
        shown_before = listed(desk, scene.noon)
        assert {row["state"] for row in shown_before} == {"due", "unreachable"}
        send_due(scene.noon)
        replied = others[0].message
        Reply.objects.create(message=replied, kind="stop", replied_at=replied.sent_at)
        later = scene.noon + timedelta(days=7)
        Message.objects.filter(pk=others[1].message.pk).update(sent_at=later)
        seen = set()
        for at in (scene.noon, later):
            rows = listed(desk, at)
            for state in DeskState:
                found = [row["id"] for row in listed(desk, at, state=state.value)]
                assert found == [row["id"] for row in rows if row["state"] == state], state
                seen |= {row["state"] for row in rows}
        assert seen == set(DeskState) - {DeskState.DUE, DeskState.WITHDRAWN}
        both = listed(desk, later, state=["to_call", "unreachable"])
        assert {row["state"] for row in both} == {"to_call", "unreachable"}

    def test_never_booked_again_after_so_many_sessions(self, clinic, desk, scene):
        back = make_scene(make_ward(clinic=clinic))
        open_due(scene.noon)
        visit = make_appointment(back.ward, scene.noon - timedelta(days=9), status="noshow")
        rows = {row["id"]: row for row in listed(desk, scene.noon)}
        lost = rows[scene.course.pk]
        assert (lost["never_booked_again"], lost["sessions_done"]) == (True, 1)
        assert lost["last_session_at"] == "2026-01-12T10:00:00Z"
        assert lost["days_since_session"] == 42
        assert visit.starts_at > scene.noon - timedelta(days=10)
        assert rows[back.course.pk]["never_booked_again"] is False
        for told, course in (("true", scene.course), ("false", back.course)):
            query = {"never_booked_again": told, "sessions_done": 1}
            assert [row["id"] for row in listed(desk, scene.noon, **query)] == [course.pk]
            assert listed(desk, scene.noon, **{**query, "sessions_done": 2}) == []

    @pytest.mark.parametrize(
        ("name", "value"),
        [
            ("state", "lost"),
            ("overdue_days", "-1"),
            ("overdue_days", "soon"),
            ("sessions_done", "-1"),
            ("sessions_done", "1000"),
            ("clinic", "x"),
            ("patient", "1e3.5"),
            ("never_booked_again", "perhaps"),
            ("put_off", "perhaps"),
            ("limit", "0"),
            ("cursor", "made up"),
            ("ordering", "patient"),
        ],
    )
    def test_a_wrong_filter_is_refused_by_its_name(self, desk, name, value):
        assert_problem(desk.get("/recall-list", **{name: value}), 400)

    def test_who_dies_or_ends_the_course_leaves_the_list(self, clinic, desk, scene):
        over = make_scene(make_ward(clinic=clinic))
        open_due(scene.noon)
        assert len(listed(desk, scene.noon)) == 2
        scene.patient.deceased = True
        scene.patient.save()
        over.course.status = "on-hold"
        over.course.save()
        assert listed(desk, scene.noon) == []

    def test_snoozed(self, scene, desk):
        open_due(scene.noon)
        path = f"/recall-list/{scene.course.pk}/snooze"
        until = (scene.noon + timedelta(days=20)).date().isoformat()
        with time_machine.travel(scene.noon, tick=False):
            assert desk.post(path, {"until": until}).status_code == 201
            other = sign_in(Role.FRONT_DESK)
            assert_problem(other.post(path, {"until": until}), 404)
        pause = RecallPause.objects.get()
        assert send_due(scene.noon).get("sent", 0) == 0
        [row] = listed(desk, scene.noon)
        assert row["pause"] == {
            "id": pause.pk,
            "until": until,
            "reason": "",
            "set_by": desk.staff.pk,
            "set_at": "2026-02-23T12:00:00Z",
        }
        # Another one counts from then on, and is over when its day has come.
        soon = (scene.noon + timedelta(days=3)).date().isoformat()
        with time_machine.travel(scene.noon, tick=False):
            desk.post(path, {"until": soon, "reason": "moves house"})
        [row] = listed(desk, scene.noon, put_off="true")
        assert (row["pause"]["until"], row["pause"]["reason"]) == (soon, "moves house")
        assert listed(desk, scene.noon, put_off="false") == []
        [row] = listed(desk, scene.noon + timedelta(days=3), put_off="false")
        assert row["pause"] is None
        assert listed(desk, scene.noon + timedelta(days=3), put_off="true") == []

    def test_a_row_names_what_can_be_withdrawn(self, scene, desk):
        open_due(scene.noon)
        [row] = listed(desk, scene.noon)
        first = Recall.objects.get(course=scene.course, step="window-closed")
        assert row["recall"] == {
            "id": first.pk,
            "version": first.version,
            "step": "window-closed",
            "due_at": "2026-02-23T10:00:00Z",
            "status": "active",
            "status_reason": "",
            "withdrawn_by": None,
        }
        send_due(scene.noon)
        # The next step, and between two of them the last.
        for days, status in ((13, "active"), (14, "active"), (16, "completed")):
            at = scene.noon + timedelta(days=days)
            open_due(at)
            [row] = listed(desk, at)
            assert (row["recall"]["step"], row["recall"]["status"]) == ("two-weeks-after", status)
            send_due(at)
        with time_machine.travel(at, tick=False):
            answer = desk.post(
                f"/recalls/{row['recall']['id']}/withdraw", {"reason": "has moved away"}
            )
        assert answer.status_code == 200, answer.json()
        [row] = listed(desk, at, state="withdrawn")
        assert (row["state"], row["recall"]["withdrawn_by"]) == ("withdrawn", desk.staff.pk)
        assert listed(desk, at, state=["invited", "no_answer", "due"]) == []
        # A visit that is booked and falls through is another thing: invitations begin anew.
        visit = make_appointment(scene.ward, at + timedelta(days=2))
        assert listed(desk, at) == []
        with time_machine.travel(at, tick=False):
            visit.status = "cancelled"
            visit.save()
        open_due(at + timedelta(days=1))
        [row] = listed(desk, at + timedelta(days=1))
        assert row["state"] != "withdrawn"

    def test_another_chain_sees_nothing(self, scene):
        open_due(scene.noon)
        assert listed(sign_in(Role.FRONT_DESK), scene.noon) == []

    def test_costs_the_same_for_two_and_for_six(self, clinic, desk, scene):
        def more(count):
            for _ in range(count):
                one = make_scene(make_ward(clinic=clinic), channel="phone", address="+49301234567")
                make_contact_point(one.patient)
            open_due(scene.noon)
            send_due(scene.noon)

        more(1)
        with time_machine.travel(scene.noon, tick=False):
            two = queries_of(desk, "/recall-list")
            more(4)
            assert queries_of(desk, "/recall-list") == two

    def test_pages(self, clinic, desk, scene):
        for _ in range(3):
            make_scene(make_ward(clinic=clinic))
        open_due(scene.noon)
        with time_machine.travel(scene.noon, tick=False):
            page = desk.get("/recall-list", limit=3).json()
            rest = desk.client.get(page["next"]).json()
        assert len({row["id"] for row in (*page["items"], *rest["items"])}) == 4


def test_a_risk_is_the_sum_of_its_parts():
    risk = drop_out_risk(days_overdue=20, no_shows=1, unanswered=2)
    assert {part.name: part.points for part in risk.parts} == {
        "weeks_overdue": 2,
        "no_shows": 3,
        "unanswered_invitations": 2,
    }
    assert risk.points == 7
    assert drop_out_risk(days_overdue=10_000, no_shows=99, unanswered=99).points == 30


class TestOutcomes:
    def test_by_step_and_channel_with_intervals(self, scene, clinic):
        open_due(scene.noon)
        send_due(scene.noon)
        silent = make_scene(make_ward(clinic=clinic))
        open_due(silent.noon)
        send_due(silent.noon)
        with time_machine.travel(scene.noon + timedelta(days=2), tick=False):
            make_appointment(scene.ward, scene.noon + timedelta(days=9))
        manager = sign_in(Role.CHAIN_MANAGER, chain=clinic.chain)
        query = {"since": "2026-02-01", "until": "2026-04-01", "clinic": clinic.pk}
        [rate] = manager.get("/recall-outcomes", **query).json()["rates"]
        assert (rate["channel"], rate["sent"], rate["booked"]) == ("email", 2, 1)
        assert rate["pending"] == 0
        # Clopper and Pearson 1934, one of two: beta quantiles 0.0126 and 0.9874.
        assert rate["low"] == pytest.approx(0.0126, abs=1e-4)
        assert rate["high"] == pytest.approx(0.9874, abs=1e-4)

    def test_one_that_may_be_followed_still_is_told_apart(self, scene, clinic):
        open_due(scene.noon)
        send_due(scene.noon)
        manager = sign_in(Role.CHAIN_MANAGER, chain=clinic.chain)
        query = {"since": "2026-02-01", "until": "2026-04-01"}
        for days, pending in ((27, 1), (28, 0)):
            with time_machine.travel(scene.noon + timedelta(days=days), tick=False):
                [rate] = manager.get("/recall-outcomes", **query).json()["rates"]
            assert (rate["sent"], rate["booked"], rate["pending"]) == (1, 0, pending)

    def test_a_period_that_ends_before_it_begins_is_told(self):
        manager = sign_in(Role.CHAIN_MANAGER)
        told = manager.get("/recall-outcomes", since="2026-04-01", until="2026-04-01")
        assert [one["parameter"] for one in assert_problem(told, 400)["errors"]] == ["until"]

    def test_for_managers_only(self):
        answer = sign_in(Role.FRONT_DESK).get("/recall-outcomes")
        assert_problem(answer, 403)


class TestWatchers:
    def test_numbers_and_the_light(self, scene, settings):
        settings.FALLOW_METRICS_TOKEN = "watcher"
        open_due(scene.noon)
        client = anonymous().client
        with time_machine.travel(scene.noon, tick=False):
            late = client.get("/api/v1/health/messages")
            again = client.get("/api/v1/health/messages", headers={"If-None-Match": "*"})
            text = client.get("/api/v1/metrics", headers={"Authorization": "Bearer watcher"})
        assert (late.status_code, late.json()["late"]) == (503, True)
        assert (again.status_code, again.json()) == (503, late.json())
        lines = text.content.decode().splitlines()
        assert "fallow_messages_due 1" in lines
        assert "# TYPE fallow_messages_oldest_waiting_seconds gauge" in lines
        assert text.headers["Content-Type"].startswith("text/plain; version=0.0.4")
        send_due(scene.noon)
        with time_machine.travel(scene.noon, tick=False):
            assert client.get("/api/v1/health/messages").status_code == 200
        assert message_gauges(now=scene.noon).sent_day == 1

    def test_without_the_token_there_is_no_such_page(self, settings):
        assert_problem(anonymous().get("/metrics"), 404)
        settings.FALLOW_METRICS_TOKEN = "watcher"
        assert_problem(anonymous().get("/metrics"), 404)
