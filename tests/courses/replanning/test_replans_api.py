"""Re-plans over the API: asked for, looked at, applied, solved again, given up."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clinics.vocabulary import Role
from core.api.idempotency import HEADER
from courses.models import Appointment, Recall, Replan
from courses.services.booking import appointment_cancel
from courses.vocabulary import AppointmentStatus, RecallKind
from tests.support.api import sign_in
from tests.support.booking import NOW
from tests.support.replans import DAY, WHOLE_DAY, Broken, ask, book_visits, solve

pytestmark = pytest.mark.django_db


def outage(stage, **changes):
    return {
        "laser": stage.laser.pk,
        "start": WHOLE_DAY.start.isoformat(),
        "end": WHOLE_DAY.end.isoformat(),
        **changes,
    }


def act(caller, path, action, body=None, *, key=None, match=None):
    headers = {"If-Match": match or caller.etag(path)}
    if key:
        headers[HEADER] = key
    return caller.client.post(f"/api/v1{path}/{action}", body or {}, format="json", headers=headers)


def queries(ask_for):
    with CaptureQueriesContext(connection) as asked:
        assert ask_for().status_code == 200
    return len(asked)


def proposed(broken):
    replan = ask(broken)
    solve(replan)
    return f"/replans/{replan.pk}"


def test_what_would_be_hit_is_shown_before_anything_is_solved(broken, desk):
    answer = desk.post("/replans/hits", {"outages": [outage(broken.stage)]})
    assert answer.status_code == 200
    assert [hit["appointment"] for hit in answer.data["hits"]] == [
        one.pk for one in broken.appointments
    ]
    assert all(hit["movable"] and hit["by"] == [0] for hit in answer.data["hits"])
    assert (answer.data["movable"], answer.data["max_movable"]) == (3, 2000)
    assert not Replan.objects.exists()


def test_asked_for_solved_looked_at_and_applied(broken, desk):
    body = {"outages": [outage(broken.stage)], "reason": "cooling failed", "seed": 7}
    asked = desk.post("/replans", body, key="a")
    assert asked.status_code == 202, asked.data
    path = asked.headers["Location"].partition("/api/v1")[2]
    shown = desk.get(path).data
    assert (shown["status"], shown["run"]["status"], shown["hits"]) == ("planning", "requested", 3)
    assert shown["outages"][0]["laser"] == broken.stage.laser.pk
    assert desk.get(path + "/rows").data["items"] == []
    solve(Replan.objects.get())
    shown = desk.get(path).data
    assert (shown["status"], shown["run"]["status"]) == ("proposed", "completed")
    assert shown["run"]["answer"]["status"] == "optimal"
    assert shown["run"]["progress"]["placed"] == 3
    assert shown["run"]["policy"]["advised_day"] == 10
    assert shown["basis"][0]["id"] == "replan"
    assert shown["caution"]
    rows = desk.get(path + "/rows").data["items"]
    assert [row["status"] for row in rows] == ["placed"] * 3
    applied = act(desk, path, "apply", key="b")
    assert applied.status_code == 200, applied.data
    assert applied.json()["status"] == "applied"
    for row in desk.get(path + "/rows").data["items"]:
        one = Appointment.objects.get(pk=row["appointment"])
        assert one.starts_at.isoformat().replace("+00:00", "Z") == row["new"]["start"].replace(
            "+00:00", "Z"
        )
        assert (row["status"], row["message"]["status"]) == ("moved", "active")


def test_apply_needs_a_key_and_the_version_that_was_looked_at(broken, desk):
    path = proposed(broken)
    assert act(desk, path, "apply").json()["code"] == "idempotency_key_missing"
    bare = desk.post(f"{path}/apply", {}, key="k")
    assert (bare.status_code, bare.json()["code"]) == (428, "precondition_required")
    stale = act(desk, path, "apply", key="k", match='"99"')
    assert (stale.status_code, stale.json()["code"]) == (412, "stale")
    assert not Recall.objects.exists()


def test_the_same_key_applies_once_and_another_key_is_refused(broken, desk):
    path = proposed(broken)
    tag = desk.etag(path)
    first = act(desk, path, "apply", key="k", match=tag)
    again = act(desk, path, "apply", key="k", match=tag)
    assert (first.status_code, again.status_code) == (200, 200)
    assert again.content == first.content
    assert again.headers["Idempotency-Replayed"] == "true"
    other = act(desk, path, "apply", key="other")
    assert (other.status_code, other.json()["code"]) == (422, "status_step_refused")
    assert Recall.objects.filter(kind=RecallKind.CHANGE).count() == 3


def test_asking_twice_with_one_key_asks_once(broken, desk):
    body = {"outages": [outage(broken.stage)]}
    first, again = (desk.post("/replans", body, key="same") for _ in range(2))
    assert first.content == again.content
    assert again.headers["Location"] == first.headers["Location"]
    assert Replan.objects.count() == 1


def test_what_has_changed_is_named_and_solving_again_mends_it(broken, desk):
    path = proposed(broken)
    gone, *_ = broken.appointments
    appointment_cancel(appointment_id=gone.pk, reason="by phone", actor=broken.desk, now=NOW)
    refused = act(desk, path, "apply", key="k")
    assert (refused.status_code, refused.json()["code"]) == (409, "diary_changed")
    assert refused.json()["changes"] == [
        {
            "appointment": gone.pk,
            "code": "not_booked",
            "detail": "It is cancelled by now.",
            "data": {"status": "cancelled"},
        }
    ]
    again = act(desk, path, "solve-again")
    assert again.status_code == 202
    assert again.json()["run"]["number"] == 2
    assert len(desk.get(path + "/rows").data["items"]) == 3
    solve(Replan.objects.get())
    assert len(desk.get(path + "/rows").data["items"]) == 2
    assert act(desk, path, "apply", key="k").status_code == 200


def test_given_up_it_changes_nothing(broken, desk):
    path = proposed(broken)
    assert act(desk, path, "cancel", {"reason": "mended"}).json()["status"] == "cancelled"
    assert act(desk, path, "apply", key="k").json()["code"] == "status_step_refused"
    assert {one.status for one in Appointment.objects.all()} == {AppointmentStatus.BOOKED}


def test_another_chain_sees_nothing(broken):
    path = proposed(broken)
    stranger = sign_in(Role.CHAIN_MANAGER)
    for asked in (path, f"{path}/rows"):
        assert stranger.get(asked).status_code == 404
    for action in ("apply", "cancel", "solve-again", "settle-unplaced"):
        body = {"appointments": [1], "choice": "cancel"} if action == "settle-unplaced" else {}
        answer = act(stranger, path, action, body, key=action, match="*")
        assert (answer.status_code, answer.json()["code"]) == (404, "replan_unknown")
    answer = stranger.post("/replans", {"outages": [outage(broken.stage)]}, key="k")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == "/outages/0/laser"
    assert stranger.get("/replans").data["items"] == []


def test_who_may(broken):
    path = proposed(broken)
    body = {"outages": [outage(broken.stage)]}
    for role, read, write in (
        (Role.CHAIN_MANAGER, 200, 202),
        (Role.TREATING_CLINICIAN, 200, 403),
        (Role.LASER_OPERATOR, 403, 403),
        (Role.INTEGRATOR, 403, 403),
    ):
        caller = sign_in(role, chain=broken.stage.chain)
        assert caller.get(path).status_code == read
        assert caller.post("/replans", body, key="k").status_code == write


def test_the_desk_of_another_clinic_may_not(broken):
    other = broken.stage.clinic.chain.clinics.create(
        name="Elsewhere", time_zone="UTC", country="DE"
    )
    caller = sign_in(Role.FRONT_DESK, clinic=other)
    answer = caller.post("/replans", {"outages": [outage(broken.stage)]}, key="k")
    assert (answer.status_code, answer.json()["code"]) == (403, "not_allowed")
    path = proposed(broken)
    for action in ("apply", "solve-again", "cancel"):
        assert act(caller, path, action, key="k").status_code == 403


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"outages": []}, "/outages"),
        ({"days": 0}, "/days"),
        ({"days": 61}, "/days"),
        ({"seconds": 3600}, "/seconds"),
        ({"policy": {"old_day": -1}}, "/policy/old_day"),
        ({"policy": {"speed": 1}}, "/policy/speed"),
        ({"clinics": [10**9]}, "/clinics/0"),
        ({"notice_hours": 1000}, "/notice_hours"),
    ],
)
def test_wrong_orders_name_the_field(broken, desk, changes, pointer):
    body = {"outages": [outage(broken.stage)], **changes}
    answer = desk.post("/replans", body, key="k")
    assert answer.status_code == 400
    assert pointer in {error["pointer"] for error in answer.json()["errors"]}


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"end": (NOW - timedelta(days=1)).isoformat()}, "/outages/0/end"),
        ({"start": "2026-03-05T09:00:00"}, "/outages/0/start"),
        ({"end": (NOW + timedelta(days=181)).isoformat()}, "/outages/0/end"),
        ({"laser": 10**9}, "/outages/0/laser"),
        ({"clinic": 1}, "/outages/0/laser"),
    ],
)
def test_wrong_outages_name_the_field(broken, desk, changes, pointer):
    changes = {**changes, **({"clinic": broken.stage.clinic.pk} if "clinic" in changes else {})}
    answer = desk.post("/replans/hits", {"outages": [outage(broken.stage, **changes)]})
    assert answer.status_code == 400
    assert pointer in {error["pointer"] for error in answer.json()["errors"]}


def test_nothing_hit_is_said(stage, desk):
    answer = desk.post("/replans", {"outages": [outage(stage)]}, key="k")
    assert (answer.status_code, answer.json()["code"]) == (422, "nothing_hit")


def test_lists_cost_the_same_for_few_and_many(stage, desk):
    broken = Broken(stage, book_visits(stage, 2))
    solve(ask(broken))
    few = queries(lambda: desk.get("/replans"))
    path = f"/replans/{Replan.objects.get().pk}/rows"
    rows_of_two = queries(lambda: desk.get(path))
    broken = Broken(stage, book_visits(stage, 5, first=DAY + timedelta(hours=4)))
    for _ in range(4):
        solve(ask(broken))
    assert queries(lambda: desk.get("/replans")) == few
    path = f"/replans/{Replan.objects.first().pk}/rows"
    assert len(desk.get(path).data["items"]) == 7
    assert queries(lambda: desk.get(path)) == rows_of_two


def test_a_single_row_is_found_by_its_status_and_appointment(broken, desk):
    path = proposed(broken)
    one = broken.appointments[1]
    assert [
        r["appointment"] for r in desk.get(f"{path}/rows", appointment=one.pk).data["items"]
    ] == [one.pk]
    assert desk.get(f"{path}/rows", status="unplaced").data["items"] == []
