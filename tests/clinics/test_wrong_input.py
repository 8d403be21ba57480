"""Whatever a caller sends, the answer is a problem and never a 500."""

import pytest

from clinics.vocabulary import Role
from tests.support.api import assert_problem, sign_in
from tests.support.factories import (
    make_clinic,
    make_opening_week,
    make_room,
    make_staff,
)

pytestmark = pytest.mark.django_db

ODD = [
    None,
    True,
    0,
    -1,
    2**31,
    2**63,
    10**40,
    1.5,
    "",
    " ",
    "x" * 5000,
    "\u0000",
    "0001-01-01",
    "9999-12-31",
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-12:00",
    "2026-02-30",
    "24:00",
    [],
    [[]],
    {},
    {"a": {"b": "\u0000"}},
]

BODIES = {
    "/clinics": {"name": "A", "time_zone": "UTC", "country": "DE", "subdivision": "BY"},
    "/rooms": {"clinic": 1, "name": "A", "cleared_wavelengths_nm": [532], "active": True},
    "/staff-members": {"name": "A", "active": True},
    "/credentials": {
        "staff_member": 1,
        "kind": "laser_operation",
        "valid_from": "2026-01-01",
        "valid_until": "2027-01-01",
        "wavelengths_nm": [532],
        "reference": "x",
    },
    "/shifts": {
        "staff_member": 1,
        "clinic": 1,
        "start": "2026-03-02T08:00:00Z",
        "end": "2026-03-02T16:00:00Z",
        "despite_visits": False,
    },
    "/memberships": {
        "staff_member": 1,
        "clinic": 1,
        "role": "front_desk",
        "start": "2026-03-02T08:00:00Z",
        "end": "2026-03-02T16:00:00Z",
    },
    "/opening-rules": {
        "clinic": 1,
        "weekday": 1,
        "opens": "18:00",
        "closes": "19:00",
        "valid_from": "2026-01-01",
        "valid_until": "2027-01-01",
    },
    "/closures": {
        "clinic": 1,
        "start": "2026-03-02T08:00:00Z",
        "end": "2026-03-02T16:00:00Z",
        "reason": "x",
    },
    "/holiday-overrides": {
        "clinic": 1,
        "date": "2026-03-02",
        "treatment": "open",
        "opens": "09:00",
        "closes": "10:00",
        "reason": "x",
    },
    "/absences": {
        "resource": 1,
        "start": "2026-03-02T08:00:00Z",
        "end": "2026-03-02T16:00:00Z",
        "reason": "closure",
        "note": "x",
    },
    "/tokens": {"user_name": "x", "password": "x"},
    "/me/password": {"current": "x", "new": "copper-meadow-77"},
}
KNOWN = {200, 201, 204, 400, 401, 403, 404, 409, 412, 413, 422, 428, 429}


@pytest.fixture
def caller():
    return sign_in()


@pytest.fixture
def ids(caller):
    clinic = make_clinic(caller.staff.chain)
    make_opening_week(clinic)
    return {
        "clinic": clinic.pk,
        "staff_member": make_staff(clinic.chain).pk,
        "resource": make_room(clinic).resource_id,
    }


@pytest.mark.parametrize("path", BODIES)
def test_one_odd_field_at_a_time(caller, ids, path):
    good = {name: ids.get(name, value) for name, value in BODIES[path].items()}
    for name in good:
        for odd in ODD:
            answer = caller.post(path, {**good, name: odd})
            assert answer.status_code in KNOWN, (name, odd, answer.content)


@pytest.mark.parametrize("path", BODIES)
def test_a_body_that_is_no_object(caller, path):
    for odd in (None, [], [1], "x", 1, True):
        answer = caller.client.post(f"/api/v1{path}", odd, format="json")
        assert answer.status_code == 400, (odd, answer.content)


@pytest.mark.parametrize(
    "path",
    [path for path in BODIES if path not in {"/tokens", "/me/password"}] + ["/reservations"],
)
def test_odd_filters(caller, path):
    names = ["clinic", "staff_member", "kind", "start", "end", "valid_on", "valid_at", "weekday"]
    names += ["resource", "source", "on", "wavelength_nm", "cleared_for_nm", "since", "limit"]
    for name in names:
        for odd in ("x", "", "-1", "1e5", str(2**70), "\u0000", "9999-12-31", "0001-01-01T00:00Z"):
            answer = caller.get(path, **{name: odd})
            assert answer.status_code in {200, 400}, (name, odd, answer.content)


def test_a_body_in_chunks_is_refused_and_not_taken_for_an_empty_one():
    manager = sign_in(Role.CHAIN_MANAGER)
    room = make_room(clinic=make_clinic(chain=manager.staff.chain))
    answer = manager.client.patch(
        f"/api/v1/rooms/{room.pk}",
        {"name": "Second"},
        format="json",
        headers={"If-Match": "*", "Transfer-Encoding": "chunked"},
        CONTENT_LENGTH="",
    )
    assert_problem(answer, 411, "length_required")
    version = room.version
    room.refresh_from_db()
    assert room.version == version
