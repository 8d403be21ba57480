"""Lock-outs: placed by whoever finds a fault, released by the laser safety officer."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from devices.models import LockOut
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.devices import make_laser, make_lock_out
from tests.support.factories import (
    make_clinic,
    make_hold,
    make_reservation,
    now,
    span,
)

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)


@pytest.fixture
def laser():
    return make_laser(make_clinic(time_zone="Europe/Lisbon"))


@pytest.fixture
def operator(laser):
    return sign_in(Role.LASER_OPERATOR, clinic=laser.clinic)


@pytest.fixture
def officer(laser):
    return sign_in(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)


def place(caller, laser, **changes):
    return caller.post("/lock-outs", {"laser": laser.pk, "reason": "fault", **changes})


def test_placed_from_now_until_released(operator, laser):
    before = now()
    answer = place(operator, laser, note="no green output")
    assert answer.status_code == 201, answer.json()
    lock_out = LockOut.objects.get()
    assert before <= lock_out.period.lower <= now()
    shown = answer.json()
    assert (shown["end"], shown["note"], shown["hits"]) == (None, "no green output", [])
    assert shown["placed_by"] == operator.staff.pk
    assert (shown["clinic"], shown["time_zone"]) == (laser.clinic_id, "Europe/Lisbon")


def test_says_what_is_booked_on_the_laser_in_that_time(operator, laser):
    begins = now() + HOUR
    within = make_reservation(laser.resource, span(begins))
    make_hold(laser.resource, span(begins + 3 * HOUR), expires_at=now() - HOUR)
    make_reservation(laser.resource, span(begins + 9 * HOUR))
    make_reservation(make_laser(laser.clinic).resource, span(begins))
    answer = place(operator, laser, end=(begins + 5 * HOUR).isoformat())
    (hit,) = answer.json()["hits"]
    assert (hit["reservation"], hit["source"]) == (within.pk, within.source)
    assert (hit["status"], hit["reason"]) == ("busy", "appointment")


def test_one_without_an_end_hits_all_that_is_ahead(officer, laser):
    for days in (1, 40, 400):
        make_reservation(laser.resource, span(now() + timedelta(days=days)))
    pk = place(officer, laser).json()["id"]
    assert len(officer.get(f"/lock-outs/{pk}").json()["hits"]) == 3
    assert "hits" not in officer.get("/lock-outs").json()["items"][0]


def test_one_that_overlaps_is_refused_and_one_that_touches_is_not(officer, laser):
    begins = now() + HOUR
    first = {"start": begins.isoformat(), "end": (begins + HOUR).isoformat()}
    assert place(officer, laser, **first).status_code == 201
    problem = assert_problem(place(officer, laser), 409, "lock_out_overlaps")
    assert problem["lock_out"] == LockOut.objects.get().pk
    after = {"start": first["end"], "end": (begins + 2 * HOUR).isoformat()}
    assert place(officer, laser, **after).status_code == 201
    assert place(officer, make_laser(laser.clinic)).status_code == 201


@pytest.mark.parametrize(
    ("start", "end", "status", "code"),
    [
        (-HOUR, HOUR, 422, "lock_out_in_the_past"),
        (2 * HOUR, HOUR, 400, "ends_before_start"),
        (HOUR, HOUR, 400, "ends_before_start"),
        (HOUR, -HOUR, 400, "ends_before_start"),
    ],
)
def test_a_span_that_cannot_be_is_refused(officer, laser, start, end, status, code):
    begins = now()
    answer = place(
        officer, laser, start=(begins + start).isoformat(), end=(begins + end).isoformat()
    )
    assert_problem(answer, status, code)
    assert not LockOut.objects.exists()


def test_an_unknown_reason_or_a_naive_instant_is_refused(officer, laser):
    answer = place(officer, laser, reason="tired", start="2030-01-01T10:00:00")
    assert pointers(assert_problem(answer, 400)) == {
        "/reason": "invalid_choice",
        "/start": "naive",
    }


def test_released_with_a_note_by_the_safety_officer_only(operator, officer, laser):
    lock_out = make_lock_out(laser, since=now() - HOUR, reason="safety")
    path = f"/lock-outs/{lock_out.pk}/release"
    assert_problem(operator.post(path, {"note": "works again"}), 403)
    answer = officer.post(path, {"note": " "})
    assert pointers(assert_problem(answer, 400)) == {"/note": "blank"}
    released = officer.post(path, {"note": "energy within 3 % of set"})
    assert released.status_code == 200
    shown = released.json()
    assert (shown["released_by"], shown["version"]) == (officer.staff.pk, 2)
    lock_out.refresh_from_db()
    assert lock_out.period.upper <= now()
    assert_problem(officer.post(path, {"note": "again"}), 409, "lock_out_over")


def test_a_safety_officer_of_another_clinic_releases_nothing_here(laser):
    lock_out = make_lock_out(laser)
    elsewhere = sign_in(Role.LASER_SAFETY_OFFICER, clinic=make_clinic(laser.chain))
    assert elsewhere.get(f"/lock-outs/{lock_out.pk}").status_code == 200
    answer = elsewhere.post(f"/lock-outs/{lock_out.pk}/release", {"note": "fine"})
    assert_problem(answer, 403, "not_allowed")


def test_one_that_has_not_begun_is_withdrawn_not_released(officer, laser):
    ahead = make_lock_out(laser, since=now() + HOUR)
    path = f"/lock-outs/{ahead.pk}"
    assert_problem(officer.post(f"{path}/release", {"note": "-"}), 409, "lock_out_ahead")
    assert_problem(officer.delete(path), 428)
    assert officer.delete(path, version=1).status_code == 204
    holding = make_lock_out(laser, since=now() - HOUR)
    assert_problem(officer.delete(f"/lock-outs/{holding.pk}", version=1), 409, "lock_out_begun")
    assert LockOut.objects.get() == holding


def test_found_by_laser_and_instant(officer, laser):
    past = make_lock_out(laser, since=now() - 3 * HOUR, until=now() - HOUR)
    present = make_lock_out(laser, since=now() - HOUR)
    make_lock_out(make_laser(laser.clinic))
    found = officer.get("/lock-outs", laser=laser.pk).json()["items"]
    assert [row["id"] for row in found] == [present.pk, past.pk]
    at = (now() - 2 * HOUR).isoformat()
    found = officer.get("/lock-outs", laser=laser.pk, holding_at=at).json()["items"]
    assert [row["id"] for row in found] == [past.pk]
    assert_problem(officer.get("/lock-outs", holding_at="2030-01-01T10:00:00"), 400)


def test_the_same_key_places_one_lock_out(officer, laser):
    body = {"laser": laser.pk, "reason": "safety"}
    first = officer.post("/lock-outs", body, key="one")
    again = officer.post("/lock-outs", body, key="one")
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.content == again.content
    assert LockOut.objects.count() == 1
