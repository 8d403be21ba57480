"""Lasers: into the chain, from clinic to clinic, out of service."""

from datetime import timedelta

import pytest

from clinics.models import Resource
from clinics.vocabulary import Role
from core.vocabulary import DeviceStatus
from devices.models import Laser
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.devices import (
    fit,
    make_fitted_handpiece,
    make_handpiece,
    make_laser,
    make_laser_model,
    make_lock_out,
    make_pulse_entry,
)
from tests.support.factories import (
    make_clinic,
    make_membership,
    make_reservation,
    make_room,
    now,
    span,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def clinic():
    return make_clinic(time_zone="Europe/Lisbon")


@pytest.fixture
def officer(clinic):
    return sign_in(Role.LASER_SAFETY_OFFICER, clinic=clinic)


@pytest.fixture
def laser(clinic):
    return make_laser(clinic)


def test_a_new_laser_comes_with_what_bookings_lock(officer, clinic):
    model = make_laser_model(clinic.chain)
    room = make_room(clinic)
    answer = officer.post(
        "/lasers",
        {"clinic": clinic.pk, "room": room.pk, "laser_model": model.pk, "serial": "XK-1"},
    )
    assert answer.status_code == 201, answer.json()
    shown = answer.json()
    assert shown["wavelengths_nm"] == [532, 1064]
    assert (shown["status"], shown["lock_out"], shown["handpieces"]) == ("active", None, [])
    assert shown["time_zone"] == "Europe/Lisbon"
    resource = Resource.objects.get(pk=shown["resource"])
    assert (resource.kind, resource.clinic) == ("laser", clinic)
    assert answer.headers["Location"].endswith(f"/lasers/{shown['id']}")


def test_a_serial_is_taken_once_per_model_and_leaves_no_resource(officer, laser):
    before = Resource.objects.count()
    body = {"clinic": laser.clinic_id, "laser_model": laser.laser_model_id, "serial": laser.serial}
    assert_problem(officer.post("/lasers", body), 409, "serial_taken")
    assert Resource.objects.count() == before


def test_a_room_of_another_clinic_is_refused(officer, laser):
    room = make_room(make_clinic(laser.chain))
    answer = officer.patch(f"/lasers/{laser.pk}", {"room": room.pk}, version=1)
    assert_problem(answer, 422, "room_elsewhere")


def test_shows_the_lock_out_and_the_handpieces_of_now(officer, laser):
    handpiece = make_fitted_handpiece(laser)
    lock_out = make_lock_out(laser, since=now() - timedelta(hours=1))
    shown = officer.get(f"/lasers/{laser.pk}").json()
    assert shown["lock_out"]["id"] == lock_out.pk
    assert shown["lock_out"]["end"] is None
    assert [on["handpiece"] for on in shown["handpieces"]] == [handpiece.pk]


@pytest.fixture
def elsewhere(laser, officer):
    clinic = make_clinic(laser.chain)
    make_membership(officer.staff, Role.LASER_SAFETY_OFFICER, clinic=clinic)
    return clinic


def test_a_move_takes_the_fitted_handpieces_along_and_leaves_the_room(officer, laser, elsewhere):
    laser.room = make_room(laser.clinic)
    laser.save()
    on_it = make_fitted_handpiece(laser)
    beside = make_handpiece(laser.laser_model, clinic=laser.clinic)
    answer = officer.patch(f"/lasers/{laser.pk}", {"clinic": elsewhere.pk}, version=2)
    assert answer.status_code == 200, answer.json()
    assert (answer.json()["clinic"], answer.json()["room"]) == (elsewhere.pk, None)
    for device, where in ((laser, elsewhere), (on_it, elsewhere), (beside, laser.clinic)):
        device.resource.refresh_from_db()
        assert device.resource.clinic == where


def test_a_move_into_a_room_there(officer, laser, elsewhere):
    room = make_room(elsewhere)
    body = {"clinic": elsewhere.pk, "room": room.pk}
    assert officer.patch(f"/lasers/{laser.pk}", body, version=1).json()["room"] == room.pk


def test_a_move_needs_the_role_at_both_clinics(officer, laser):
    elsewhere = make_clinic(laser.chain)
    answer = officer.patch(f"/lasers/{laser.pk}", {"clinic": elsewhere.pk}, version=1)
    assert_problem(answer, 403)
    laser.refresh_from_db()
    assert laser.clinic != elsewhere


@pytest.mark.parametrize("change", ["move", "retire"])
@pytest.mark.parametrize("booked", ["laser", "handpiece"])
def test_a_laser_that_visits_are_booked_on_stays(officer, laser, elsewhere, change, booked):
    handpiece = make_fitted_handpiece(laser)
    ahead = span(now() + timedelta(days=2))
    visit = make_reservation({"laser": laser, "handpiece": handpiece}[booked].resource, ahead)
    body = {"move": {"clinic": elsewhere.pk}, "retire": {"status": "inactive"}}[change]
    if (booked, change) == ("handpiece", "retire"):
        assert_problem(officer.patch(f"/lasers/{laser.pk}", body, version=1), 409, "device_in_use")
        return
    problem = officer.patch(f"/lasers/{laser.pk}", body, version=1)
    assert visit.source in assert_problem(problem, 409, "visits_in_the_way")["sources"]


def test_what_is_over_does_not_hold_a_laser(officer, laser, elsewhere):
    make_reservation(laser.resource, span(now() - timedelta(days=1)))
    body = {"clinic": elsewhere.pk}
    assert officer.patch(f"/lasers/{laser.pk}", body, version=1).status_code == 200


def test_retired_and_brought_back(officer, laser):
    path = f"/lasers/{laser.pk}"
    assert officer.patch(path, {"status": "inactive"}, version=1).json()["status"] == "inactive"
    assert officer.patch(path, {"status": "active"}, version=2).json()["status"] == "active"


def test_a_laser_that_has_fired_is_no_error_of_entry(officer, laser):
    handpiece = make_handpiece(laser.laser_model)
    fit(handpiece, laser, until=now() - timedelta(days=1))
    make_pulse_entry(laser, handpiece, fired_at=now() - timedelta(days=3))
    body = {"status": DeviceStatus.ENTERED_IN_ERROR}
    problem = assert_problem(officer.patch(f"/lasers/{laser.pk}", body, version=1), 409)
    assert problem["used_by"] == ["pulse_entries"]


def test_an_unknown_status_is_refused(officer, laser):
    answer = officer.patch(f"/lasers/{laser.pk}", {"status": "broken"}, version=1)
    assert pointers(assert_problem(answer, 400)) == {"/status": "invalid_choice"}


def test_lasers_are_found_by_clinic_and_wavelength(officer, laser):
    other = make_laser(make_clinic(laser.chain), lines_nm=[755, 1064])
    found = officer.get("/lasers", wavelength_nm=755).json()["items"]
    assert [row["id"] for row in found] == [other.pk]
    found = officer.get("/lasers", clinic=laser.clinic_id).json()["items"]
    assert [row["id"] for row in found] == [laser.pk]
    assert len(officer.get("/lasers", wavelength_nm=1064).json()["items"]) == 2
    assert Laser.objects.count() == 2
