"""What is busy, over HTTP: by place, thing and time; holds that have expired are gone."""

import pytest
import time_machine

from clinics.vocabulary import ResourceKind, Role
from tests.support.api import assert_problem, sign_in
from tests.support.factories import (
    instant,
    make_chain,
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
TEN = "2026-03-02T10:00Z"


@pytest.fixture(autouse=True)
def _clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def chain():
    return make_chain()


@pytest.fixture
def desk(chain):
    return sign_in(Role.FRONT_DESK, chain=chain)


def ids(caller, **query):
    answer = caller.get("/reservations", **query)
    assert answer.status_code == 200, answer.json()
    return [row["id"] for row in answer.json()["items"]]


def test_a_reservation_says_what_is_busy_and_for_what(chain, desk):
    room = make_room(make_clinic(chain), name="Blue room")
    row = make_reservation(room.resource, span(TEN), source="appointment:5")
    assert desk.get(f"/reservations/{row.pk}").json() == {
        "id": row.pk,
        "resource": room.resource_id,
        "kind": "room",
        "clinic": room.clinic_id,
        "name": "Blue room",
        "start": "2026-03-02T10:00:00Z",
        "end": "2026-03-02T11:00:00Z",
        "status": "busy",
        "reason": "appointment",
        "source": "appointment:5",
        "expires_at": None,
    }


def test_they_come_in_order_of_time_across_pages(chain, desk):
    laser = make_resource(chain)
    rows = [
        make_reservation(laser, span(f"2026-03-02T{hour}:00Z", minutes=30))
        for hour in ("14", "08", "11")
    ]
    first = desk.get("/reservations", limit=2).json()
    assert [row["id"] for row in first["items"]] == [rows[1].pk, rows[2].pk]
    rest = desk.client.get(first["next"]).json()
    assert [row["id"] for row in rest["items"]] == [rows[0].pk]
    assert rest["next"] is None


def test_a_hold_is_there_until_it_expires(chain, desk):
    laser = make_resource(chain)
    running = make_hold(laser, span(TEN), expires_at=instant("2026-03-02T06:00:01Z"))
    expired = make_hold(laser, span("2026-03-02T12:00Z"), expires_at=NOW)
    assert ids(desk) == [running.pk]
    assert_problem(desk.get(f"/reservations/{expired.pk}"), 404)


def test_narrowed_by_kind_resource_source_and_span(chain, desk):
    room, patient = make_room(make_clinic(chain)), make_resource(chain, ResourceKind.PATIENT)
    early = make_reservation(room.resource, span(TEN), source="appointment:1")
    late = make_reservation(room.resource, span("2026-03-02T11:00Z"), source="appointment:2")
    other = make_reservation(patient, span(TEN), source="appointment:1")
    assert ids(desk, kind="room") == [early.pk, late.pk]
    assert ids(desk, resource=patient.pk) == [other.pk]
    assert ids(desk, source="appointment:1") == [early.pk, other.pk]
    assert ids(desk, start="2026-03-02T11:00:00Z") == [late.pk]
    assert ids(desk, end="2026-03-02T11:00:00Z", kind="room") == [early.pk]
    assert ids(desk, reason="leave") == []


def test_a_clinic_has_what_stands_there_and_who_is_on_shift_there(chain, desk):
    here, there = make_clinic(chain), make_clinic(chain)
    person = make_staff(chain)
    make_shift(person, here, span("2026-03-02T08:00Z", minutes=240))
    make_shift(person, there, span("2026-03-02T13:00Z", minutes=240))
    morning = make_reservation(person.resource, span(TEN))
    make_reservation(person.resource, span("2026-03-02T14:00Z"))
    room = make_reservation(make_room(here).resource, span(TEN))
    make_reservation(make_room(there).resource, span(TEN))
    assert sorted(ids(desk, clinic=here.pk)) == sorted([morning.pk, room.pk])


def test_another_chains_diary_does_not_exist(desk):
    row = make_reservation(make_room().resource, span(TEN))
    assert ids(desk) == []
    assert ids(desk, resource=row.resource_id) == []
    assert_problem(desk.get(f"/reservations/{row.pk}"), 404)


@pytest.mark.parametrize("method", ["post", "patch", "delete", "put"])
def test_nobody_writes_the_diary_directly(desk, method):
    path = "/reservations" if method == "post" else "/reservations/1"
    answer = getattr(desk.client, method)(f"/api/v1{path}", {}, format="json")
    assert_problem(answer, 405)
