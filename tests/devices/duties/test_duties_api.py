"""Start-up checks, periodic duties, officers, incidents and what is overdue."""

from datetime import timedelta

import pytest

from clinics.vocabulary import CredentialKind, Role
from devices.models import Incident, StartUpCheck
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.devices import make_laser
from tests.support.factories import (
    make_clinic,
    make_credential,
    make_opening_week,
    make_room,
    make_staff,
    now,
)

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
LASER_ITEMS = ["key", "extraction", "aiming_beam"]


@pytest.fixture
def clinic():
    return make_clinic()


@pytest.fixture
def officer(clinic):
    return sign_in(Role.LASER_SAFETY_OFFICER, clinic=clinic)


def answers(codes=LASER_ITEMS, **notes):
    return [{"code": code, "ok": code not in notes, "note": notes.get(code, "")} for code in codes]


def check(caller, laser, **notes):
    return caller.post("/start-up-checks", {"laser": laser.pk, "items": answers(**notes)})


def duties(caller, clinic, **query):
    found = caller.get("/duties", clinic=clinic.pk, **query).json()["duties"]
    return {(one["duty"], one["subject_id"]): one["state"] for one in found}


def test_a_failed_check_is_told_until_one_passes(officer, clinic):
    make_opening_week(clinic)
    laser = make_laser(clinic)
    assert ("start_up_check", laser.pk) in duties(officer, clinic)
    answer = check(officer, laser, key="does not turn")
    assert answer.status_code == 201
    assert answer.json()["passed"] is False
    assert "does not turn" in answer.json()["failed"][0]
    assert duties(officer, clinic, late="true")["start_up_check", laser.pk] == "failed"
    assert check(officer, laser).json()["passed"] is True
    assert duties(officer, clinic)["start_up_check", laser.pk] == "done"


@pytest.mark.parametrize(
    "items",
    [
        answers(["key", "extraction"]),
        answers([*LASER_ITEMS, "sign"]),
        answers([*LASER_ITEMS, "key"]),
        [{"code": code, "ok": False, "note": ""} for code in LASER_ITEMS],
    ],
)
def test_a_check_answers_the_whole_list_once(officer, clinic, items):
    laser = make_laser(clinic)
    body = {"laser": laser.pk, "items": items}
    assert_problem(officer.post("/start-up-checks", body), 400, "start_up_check_malformed")
    assert not StartUpCheck.objects.exists()


def test_a_check_is_of_today(officer, clinic):
    body = {
        "laser": make_laser(clinic).pk,
        "items": answers(),
        "checked_at": (now() - 2 * DAY).isoformat(),
    }
    assert_problem(officer.post("/start-up-checks", body), 400, "start_up_check_not_that_day")


def test_periodic_duties_from_never_to_overdue_and_back(officer, clinic):
    assert duties(officer, clinic)["inventory", clinic.pk] == "never"
    today = now().date()
    for days, state in ((366, "overdue"), (350, "soon"), (10, "done")):
        body = {
            "clinic": clinic.pk,
            "duty": "inventory",
            "done_on": str(today - days * DAY),
            "done_by": "invented",
            "outcome": "complete",
        }
        last = officer.post("/duty-records", body)
        assert last.status_code == 201, last.json()
        assert duties(officer, clinic)["inventory", clinic.pk] == state
    taken = officer.post(f"/duty-records/{last.json()['id']}/withdraw", {"reason": "wrong clinic"})
    assert taken.status_code == 201
    assert duties(officer, clinic)["inventory", clinic.pk] == "soon"


def test_one_officer_at_a_time_and_only_a_trained_one(officer, clinic):
    manager = sign_in(Role.CHAIN_MANAGER, clinic=clinic)
    person = make_staff(clinic.chain)
    body = {"clinic": clinic.pk, "staff_member": person.pk, "valid_from": "2026-01-01"}
    assert_problem(manager.post("/safety-officers", body), 422, "officer_untrained")
    assert duties(officer, clinic)["officer", clinic.pk] == "never"
    make_credential(person, kind=CredentialKind.LASER_SAFETY_OFFICER)
    made = manager.post("/safety-officers", body)
    assert made.status_code == 201, made.json()
    assert duties(officer, clinic)["officer", clinic.pk] == "done"
    assert_problem(manager.post("/safety-officers", body), 409, "officer_appointment_overlaps")


def incident(caller, clinic, **fields):
    body = {
        "clinic": clinic.pk,
        "kind": "loss",
        "actuality": "actual",
        "occurred_at": (now() - 3 * HOUR).isoformat(),
        "summary": "The laser is not in its room (invented)",
        **fields,
    }
    return caller.post("/incidents", body, key=f"k-{now().timestamp()}")


def test_the_clocks_of_a_loss_run_72_hours_and_30_days_from_the_report(officer, clinic):
    """16 TAC 118.71 (LG9)."""
    known = now() - 2 * HOUR
    made = incident(officer, clinic, known_at=known.isoformat())
    assert made.status_code == 201, made.json()
    pk = made.json()["id"]
    row = Incident.objects.get(pk=pk)
    due = {clock.code: clock.due_at for clock in row.clocks.all()}
    assert due["report"] == known + 72 * HOUR
    assert due["written_report"] == known + 72 * HOUR + 30 * DAY
    path = f"/incidents/{pk}/settle-clock"
    told = {"code": "written_report", "status": "completed", "reference": "letter"}
    assert_problem(officer.post(path, told), 422, "incident_clock_ahead")
    reported = now() - HOUR
    told = {**told, "code": "report", "at": reported.isoformat(), "reference": "call"}
    assert officer.post(path, told).status_code == 200
    assert row.clocks.get(code="written_report").due_at == reported + 30 * DAY
    assert_problem(officer.post(path, told), 409, "incident_clock_settled")
    closing = {"status": "completed", "outcome": "found"}
    body = assert_problem(
        officer.client.post(
            f"/api/v1/incidents/{pk}/close",
            closing,
            format="json",
            headers={"If-Match": officer.etag(f"/incidents/{pk}")},
        ),
        422,
        "incident_clock_running",
    )
    assert set(body["clocks"]) == {"written_report", "review"}


def test_an_overdue_clock_is_on_the_list(officer, clinic):
    known = now() - 80 * HOUR
    made = incident(
        officer, clinic, known_at=known.isoformat(), occurred_at=known.isoformat()
    ).json()
    assert duties(officer, clinic, late="true")["report", made["id"]] == "overdue"


def test_periods_are_shortened_never_lengthened(clinic):
    manager = sign_in(Role.CHAIN_MANAGER, chain=clinic.chain)
    entry = {"code": "inventory", "text": "Inventory", "months": 13}
    long = manager.patch("/duty-policy", {"periodic": [entry]}, version=0)
    assert_problem(long, 400, "duty_rules_malformed")
    short = manager.patch("/duty-policy", {"periodic": [{**entry, "months": 6}]}, version=0)
    assert short.status_code == 200, short.json()
    assert short.json()["periodic"][0]["months"] == 6
    assert short.json()["own_lists"] == ["periodic"]


def test_the_list_costs_the_same_for_many(officer, clinic):
    def grow():
        laser = make_laser(clinic)
        make_room(clinic)
        check(officer, laser)

    make_opening_week(clinic)
    grow()
    few = queries_of(officer, "/duties")
    for _ in range(5):
        grow()
    assert queries_of(officer, "/duties") == few


def test_another_chain_sees_nothing(officer, clinic):
    made = incident(officer, clinic).json()
    other = sign_in(Role.LASER_SAFETY_OFFICER)
    assert_problem(other.get(f"/incidents/{made['id']}"), 404)
    assert_problem(other.get("/duties", clinic=clinic.pk), 400)


def test_who_may_not_read_incidents_writes_about_them_and_reads_nobodys_words(officer, clinic):
    """Neither those of the incident nor of the notes before: an answer to a note has both."""
    desk = sign_in(Role.FRONT_DESK, clinic=clinic)
    made = incident(officer, clinic).json()["id"]
    told = {"text": "Seen by the safety officer"}
    assert officer.post(f"/incidents/{made}/notes", told, key="by-officer").status_code == 201
    assert_problem(desk.get(f"/incidents/{made}"), 403)
    answer = desk.post(f"/incidents/{made}/notes", {"text": "It smelt of smoke"}, key="by-desk")
    assert answer.status_code == 201
    shown = answer.json()
    assert [shown[name] for name in ("summary", "outcome", "clocks", "notes")] == [None] * 4
    read = officer.get(f"/incidents/{made}").json()
    assert [note["text"] for note in read["notes"]] == [told["text"], "It smelt of smoke"]
