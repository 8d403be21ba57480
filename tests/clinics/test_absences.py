"""Absences take a person, a room or a device out of the diary, unless visits stand in the way."""

from datetime import timedelta

import pytest
import time_machine

from clinics.models import Absence, Reservation
from clinics.vocabulary import ResourceKind, Role
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.factories import (
    instant,
    make_clinic,
    make_hold,
    make_reservation,
    make_resource,
    make_room,
    make_shift,
    make_staff,
    span,
)

pytestmark = pytest.mark.django_db

NOW = instant("2026-03-02T06:00Z")
START, END = "2026-03-03T09:00:00Z", "2026-03-03T12:00:00Z"


@pytest.fixture(autouse=True)
def _clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def clinic():
    return make_clinic()


@pytest.fixture
def desk(clinic):
    return sign_in(Role.FRONT_DESK, clinic=clinic)


def body(resource, reason, **fields):
    return {"resource": resource.pk, "reason": reason, "start": START, "end": END, **fields}


def test_leave_is_entered_seen_and_taken_back(clinic, desk):
    person = make_staff(clinic.chain)
    made = desk.post("/absences", body(person.resource, "leave", note="Training"))
    assert made.status_code == 201
    absence = made.json()
    assert (absence["kind"], absence["note"]) == ("staff", "Training")
    assert absence["entered_by"] == desk.staff.name
    row = Reservation.objects.get()
    assert (row.status, row.reason) == ("busy-unavailable", "leave")
    assert row.source == f"absence:{absence['id']}"

    path = f"/absences/{absence['id']}"
    assert_problem(desk.delete(path), 428)
    assert_problem(desk.delete(path, version=7), 412)
    assert desk.delete(path, version=made.headers["ETag"]).status_code == 204
    assert not Reservation.objects.exists()
    assert_problem(desk.get(path), 404)


def test_visits_in_the_way_are_named_and_nothing_is_written(clinic, desk):
    room = make_room(clinic)
    visit = make_reservation(room.resource, span("2026-03-03T11:30Z"))
    hold = make_hold(
        room.resource, span("2026-03-03T09:00Z"), expires_at=NOW + timedelta(minutes=5)
    )
    make_reservation(room.resource, span("2026-03-03T12:30Z"))
    problem = assert_problem(
        desk.post("/absences", body(room.resource, "closure")), 409, "visits_in_the_way"
    )
    assert problem["sources"] == sorted([visit.source, hold.source])
    assert problem["reservations"][1] == {
        "source": visit.source,
        "reason": "appointment",
        "start": "2026-03-03T11:30:00+00:00",
        "end": "2026-03-03T12:30:00+00:00",
    }
    assert not Absence.objects.exists()


def test_an_expired_hold_is_not_in_the_way(clinic, desk):
    room = make_room(clinic)
    make_hold(room.resource, span("2026-03-03T09:00Z"), expires_at=NOW)
    assert desk.post("/absences", body(room.resource, "closure")).status_code == 201
    assert Reservation.objects.count() == 1


def test_an_absence_is_in_the_way_of_another(clinic, desk):
    room = make_room(clinic)
    first = desk.post("/absences", body(room.resource, "closure")).json()
    problem = assert_problem(desk.post("/absences", body(room.resource, "service")), 409)
    assert problem["sources"] == [f"absence:{first['id']}"]


@pytest.mark.parametrize(
    ("kind", "fits"),
    [
        (ResourceKind.STAFF, {"leave"}),
        (ResourceKind.ROOM, {"closure", "service"}),
        (ResourceKind.LASER, {"service"}),
        (ResourceKind.HANDPIECE, {"service"}),
        (ResourceKind.PATIENT, set()),
    ],
)
@pytest.mark.parametrize("reason", ["leave", "closure", "service"])
def test_which_reason_goes_with_what(clinic, kind, fits, reason):
    caller = sign_in(chain=clinic.chain)
    resource = (
        make_staff(clinic.chain).resource
        if kind == ResourceKind.STAFF
        else make_resource(clinic.chain, kind)
    )
    answer = caller.post("/absences", body(resource, reason))
    if reason in fits:
        assert answer.status_code == 201
    else:
        problem = assert_problem(answer, 422, "absence_reason_unfit")
        assert problem["fits"] == sorted(fits)
        assert not Absence.objects.exists()


@pytest.mark.parametrize("role", list(Role))
def test_who_may_close_a_room_at_their_own_clinic_only(clinic, role):
    here, there = make_room(clinic), make_room(make_clinic(clinic.chain))
    caller = sign_in(role, clinic=clinic)
    allowed = role in {Role.CHAIN_MANAGER, Role.FRONT_DESK, Role.LASER_SAFETY_OFFICER}
    answer = caller.post("/absences", body(here.resource, "closure"))
    assert answer.status_code == (201 if allowed else 403)
    assert_problem(caller.post("/absences", body(there.resource, "closure")), 403)


def test_leave_concerns_every_clinic_where_the_person_works_then(clinic, desk):
    other = make_clinic(clinic.chain)
    person = make_staff(clinic.chain)
    make_shift(person, clinic, span("2026-03-03T08:00Z", minutes=120))
    assert desk.post("/absences", body(person.resource, "leave")).status_code == 201
    longer = body(person.resource, "leave", start="2026-03-04T09:00:00Z", end="2026-03-05T09:00Z")
    make_shift(person, clinic, span("2026-03-04T09:00Z"))
    make_shift(person, other, span("2026-03-04T14:00Z"))
    assert_problem(desk.post("/absences", longer), 403, "not_allowed")
    both = sign_in(Role.FRONT_DESK, chain=clinic.chain)
    assert both.post("/absences", longer).status_code == 201


def test_who_may_not_enter_an_absence_may_not_remove_it(clinic):
    room = make_room(clinic)
    made = sign_in(chain=clinic.chain).post("/absences", body(room.resource, "closure")).json()
    elsewhere = sign_in(Role.FRONT_DESK, clinic=make_clinic(clinic.chain))
    assert_problem(elsewhere.delete(f"/absences/{made['id']}", version=1), 403)
    assert Reservation.objects.exists()


def test_another_chains_things_do_not_exist(clinic, desk):
    room = make_room()
    problem = assert_problem(desk.post("/absences", body(room.resource, "closure")), 400)
    assert pointers(problem) == {"/resource": "does_not_exist"}
    made = sign_in(chain=room.clinic.chain).post("/absences", body(room.resource, "closure"))
    path = f"/absences/{made.json()['id']}"
    assert_problem(desk.get(path), 404)
    assert_problem(desk.delete(path, version="*"), 404)
    assert desk.get("/absences").json()["items"] == []


def test_the_same_key_enters_an_absence_once(clinic, desk):
    room = make_room(clinic)
    first = desk.post("/absences", body(room.resource, "closure"), key="k")
    again = desk.post("/absences", body(room.resource, "closure"), key="k")
    assert again.content == first.content
    assert again.headers["ETag"] == first.headers["ETag"]
    assert Absence.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"end": START}, {"/end": "order"}),
        ({"end": None}, {"/end": "null"}),
        ({"start": "2026-03-03T09:00:00"}, {"/start": "naive"}),
        ({"reason": "boredom"}, {"/reason": "invalid_choice"}),
        ({"resource": "x"}, {"/resource": "invalid"}),
        ({"note": "x" * 201}, {"/note": "max_length"}),
    ],
)
def test_a_wrong_absence_is_refused(clinic, desk, change, wrong):
    answer = desk.post("/absences", {**body(make_room(clinic).resource, "closure"), **change})
    assert pointers(assert_problem(answer, 400, "invalid")) == wrong


def test_absences_are_listed_by_clinic_kind_and_span(clinic, desk):
    room = make_room(clinic)
    made = desk.post("/absences", body(room.resource, "closure")).json()

    def ids(**query):
        return [row["id"] for row in desk.get("/absences", **query).json()["items"]]

    assert ids(clinic=clinic.pk, kind="room", reason="closure") == [made["id"]]
    assert ids(start=END) == []
    assert ids(end=START) == []
    assert ids(start=START, end=END) == [made["id"]]


@pytest.mark.parametrize(
    ("role", "shown"),
    [
        (Role.CHAIN_MANAGER, "the knee"),
        (Role.FRONT_DESK, "the knee"),
        (Role.LASER_OPERATOR, None),
        (Role.TREATING_CLINICIAN, None),
    ],
)
def test_why_a_colleague_is_away_is_for_who_plans_without_them(clinic, role, shown):
    desk = sign_in(Role.FRONT_DESK, clinic=clinic)
    person = make_staff(clinic.chain)
    make_shift(person, clinic, span(START, minutes=180))
    body = {"resource": person.resource_id, "start": START, "end": END, "reason": "leave"}
    made = desk.post("/absences", {**body, "note": "the knee"})
    assert made.status_code == 201, made.json()
    caller = sign_in(role, clinic=clinic)
    assert caller.get(f"/absences/{made.json()['id']}").json()["note"] == shown
