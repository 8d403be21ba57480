"""Fittings: a handpiece is on one laser at a time, and the ledger agrees with it."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction

from clinics.vocabulary import Role
from core.db import constraint_name
from core.vocabulary import DeviceStatus
from devices.models import Fitting
from tests.support.api import assert_problem, sign_in
from tests.support.devices import (
    fit,
    make_fitted_handpiece,
    make_handpiece,
    make_laser,
    make_laser_model,
    make_pulse_entry,
)
from tests.support.factories import (
    LONG_AGO,
    make_clinic,
    make_membership,
    make_reservation,
    now,
    span,
)

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)


@pytest.fixture
def laser():
    return make_laser()


@pytest.fixture
def other(laser):
    return make_laser(laser.clinic, laser_model=laser.laser_model)


@pytest.fixture
def handpiece(laser):
    return make_handpiece(laser.laser_model)


@pytest.fixture
def operator(laser):
    return sign_in(Role.LASER_OPERATOR, clinic=laser.clinic)


def put_on(caller, handpiece, laser, **changes):
    return caller.post("/fittings", {"laser": laser.pk, "handpiece": handpiece.pk, **changes})


def test_fitted_from_now_on_and_standing_with_the_laser(operator, laser, handpiece):
    answer = put_on(operator, handpiece, laser)
    assert answer.status_code == 201, answer.json()
    assert (answer.json()["end"], answer.json()["hits"]) == (None, [])
    handpiece.resource.refresh_from_db()
    assert handpiece.resource.clinic == laser.clinic


def test_ends_the_fitting_before_at_the_same_instant(operator, laser, other, handpiece):
    before = fit(handpiece, laser)
    answer = put_on(operator, handpiece, other)
    assert answer.status_code == 201, answer.json()
    before.refresh_from_db()
    after = Fitting.objects.get(pk=answer.json()["id"])
    assert before.period.upper == after.period.lower
    assert after.period.upper is None
    assert before.version == 2


def test_a_laser_may_carry_several_handpieces(operator, laser, handpiece):
    make_fitted_handpiece(laser)
    assert put_on(operator, handpiece, laser).status_code == 201
    assert Fitting.objects.holding_at(now()).count() == 2


def test_says_what_is_booked_on_the_handpiece_from_then_on(operator, laser, other):
    handpiece = make_fitted_handpiece(laser)
    visit = make_reservation(handpiece.resource, span(now() + HOUR))
    make_reservation(handpiece.resource, span(now() - 5 * HOUR))
    hits = put_on(operator, handpiece, other).json()["hits"]
    assert [hit["source"] for hit in hits] == [visit.source]


def refused(answer, status, code, *, fittings):
    problem = assert_problem(answer, status, code)
    assert list(Fitting.objects.values_list("version", flat=True)) == [1] * fittings
    return problem


def test_not_twice_on_the_same_laser(operator, laser):
    handpiece = make_fitted_handpiece(laser)
    refused(put_on(operator, handpiece, laser), 409, "handpiece_fitted", fittings=1)


def test_not_before_a_later_fitting(operator, laser, other, handpiece):
    fit(handpiece, laser, since=now() - HOUR)
    at = (now() - 2 * HOUR).isoformat()
    problem = put_on(operator, handpiece, other, fitted_at=at)
    assert refused(problem, 409, "handpiece_fitted", fittings=1)["laser"] == laser.pk


def test_only_lines_that_the_laser_has(operator, laser):
    handpiece = make_handpiece(make_laser_model(laser.chain, lines_nm=[755]))
    problem = refused(put_on(operator, handpiece, laser), 422, "lines_differ", fittings=0)
    assert problem["wavelengths_nm"] == [755]


def test_not_in_the_future(operator, laser, handpiece):
    at = (now() + HOUR).isoformat()
    answer = put_on(operator, handpiece, laser, fitted_at=at)
    refused(answer, 400, "instant_in_the_future", fittings=0)


@pytest.mark.parametrize("kind", ["laser", "handpiece"])
def test_not_when_out_of_service(operator, laser, handpiece, kind):
    device = {"laser": laser, "handpiece": handpiece}[kind]
    device.status = DeviceStatus.INACTIVE
    device.save()
    refused(put_on(operator, handpiece, laser), 422, "device_inactive", fittings=0)


def test_pulses_are_never_left_without_a_fitting(operator, laser, other):
    handpiece = make_fitted_handpiece(laser)
    fitting = Fitting.objects.get()
    make_pulse_entry(laser, handpiece, fired_at=now() - HOUR)
    before = (now() - 2 * HOUR).isoformat()
    answer = put_on(operator, handpiece, other, fitted_at=before)
    refused(answer, 422, "pulses_after", fittings=1)
    answer = operator.post(f"/fittings/{fitting.pk}/end", {"ended_at": before})
    refused(answer, 422, "pulses_after", fittings=1)
    assert put_on(operator, handpiece, other).status_code == 201


def test_taken_off_once(operator, laser):
    make_fitted_handpiece(laser)
    path = f"/fittings/{Fitting.objects.get().pk}/end"
    early = operator.post(path, {"ended_at": LONG_AGO.isoformat()})
    assert_problem(early, 400, "ends_before_start")
    assert operator.post(path).json()["end"] is not None
    assert_problem(operator.post(path), 409, "fitting_over")


def test_the_role_is_needed_where_either_laser_stands(operator, laser):
    elsewhere = make_laser(make_clinic(laser.chain), laser_model=laser.laser_model)
    handpiece = make_fitted_handpiece(elsewhere)
    refused(put_on(operator, handpiece, laser), 403, "not_allowed", fittings=1)
    make_membership(operator.staff, Role.LASER_OPERATOR, clinic=elsewhere.clinic)
    assert put_on(operator, handpiece, laser).status_code == 201


def test_the_database_refuses_a_handpiece_on_two_lasers(laser, other):
    handpiece = make_fitted_handpiece(laser)
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        fit(handpiece, other, since=now())
    assert constraint_name(caught.value) == "fitting_one_laser_at_a_time"


def test_found_by_handpiece_and_instant(operator, laser, other, handpiece):
    first = fit(handpiece, laser, until=now() - HOUR)
    second = fit(handpiece, other, since=now() - HOUR)
    make_fitted_handpiece(laser)
    found = operator.get("/fittings", handpiece=handpiece.pk).json()["items"]
    assert [row["id"] for row in found] == [second.pk, first.pk]
    at = (now() - 2 * HOUR).isoformat()
    found = operator.get("/fittings", handpiece=handpiece.pk, holding_at=at).json()["items"]
    assert [row["id"] for row in found] == [first.pk]
