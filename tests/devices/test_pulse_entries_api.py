"""The ledger over HTTP: entered once, corrected by further rows, read page by page."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from core.models import IdempotencyRecord
from devices.models import PulseEntry
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.devices import (
    make_correction,
    make_fitted_handpiece,
    make_laser,
    make_lock_out,
    make_pulse_entry,
)
from tests.support.factories import instant, make_staff, now

pytestmark = pytest.mark.django_db

NOON = instant("2026-03-02T12:00Z")


@pytest.fixture
def laser():
    return make_laser()


@pytest.fixture
def handpiece(laser):
    return make_fitted_handpiece(laser)


@pytest.fixture
def operator(laser):
    return sign_in(Role.LASER_OPERATOR, clinic=laser.clinic)


@pytest.fixture
def officer(laser):
    return sign_in(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)


def body(laser, handpiece, **changes):
    given = {
        "laser": laser.pk,
        "handpiece": handpiece.pk,
        "line": handpiece.lines.get(wavelength_nm=1064).pk,
        "pulses": 25,
        "purpose": "test_fire",
    }
    return {**given, **changes}


def test_a_test_fire_of_the_caller_now(operator, laser, handpiece):
    answer = operator.post("/pulse-entries", body(laser, handpiece), key="a")
    assert answer.status_code == 201, answer.json()
    shown = answer.json()
    assert (shown["pulses"], shown["wavelength_nm"], shown["corrects"]) == (25, 1064, None)
    assert shown["operator"] == operator.staff.pk
    assert operator.get(f"/pulse-entries/{shown['id']}").json() == shown


def test_a_key_is_required(operator, officer, laser, handpiece):
    answer = operator.post("/pulse-entries", body(laser, handpiece))
    assert_problem(answer, 400, "idempotency_key_missing")
    entry = make_pulse_entry(laser, handpiece, fired_at=NOON)
    answer = officer.post(f"/pulse-entries/{entry.pk}/corrections", {"pulses": -1, "reason": "x"})
    assert_problem(answer, 400, "idempotency_key_missing")
    assert PulseEntry.objects.count() == 1


def test_the_same_key_again_changes_nothing(operator, laser, handpiece):
    given = body(laser, handpiece)
    first = operator.post("/pulse-entries", given, key="a")
    again = operator.post("/pulse-entries", given, key="a")
    assert (again.status_code, again.content) == (201, first.content)
    other = operator.post("/pulse-entries", {**given, "pulses": 26}, key="a")
    assert_problem(other, 422, "idempotency_key_reused")
    assert PulseEntry.objects.count() == 1


def test_the_ledger_knows_the_key_when_the_stored_answer_is_gone(operator, laser, handpiece):
    given = body(laser, handpiece, fired_at=(now() - timedelta(minutes=9)).isoformat())
    first = operator.post("/pulse-entries", given, key="a").json()
    IdempotencyRecord.objects.all().delete()
    assert operator.post("/pulse-entries", given, key="a").json()["id"] == first["id"]
    IdempotencyRecord.objects.all().delete()
    other = operator.post("/pulse-entries", {**given, "pulses": 26}, key="a")
    assert_problem(other, 409, "entry_key_reused")
    assert PulseEntry.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"pulses": -5}, {"/pulses": "min_value"}),
        ({"pulses": 0}, {"/pulses": "min_value"}),
        ({"pulses": 2.5}, {"/pulses": "number"}),
        ({"pulses": "25"}, {"/pulses": "number"}),
        ({"pulses": 10**20}, {"/pulses": "max_value"}),
        ({"line": 10**12}, {"/line": "does_not_exist"}),
        ({"purpose": "treatment"}, {"/purpose": "invalid_choice"}),
        ({"purpose": "correction"}, {"/purpose": "invalid_choice"}),
        ({"fired_at": "2026-03-02T12:00:00"}, {"/fired_at": "naive"}),
        ({"operator": 10**12}, {"/operator": "does_not_exist"}),
    ],
)
def test_bad_input_is_named_and_nothing_stored(operator, laser, handpiece, change, wrong):
    answer = operator.post("/pulse-entries", body(laser, handpiece, **change), key="a")
    assert pointers(assert_problem(answer, 400)) == wrong
    assert not PulseEntry.objects.exists()
    assert not IdempotencyRecord.objects.exists()


def test_a_refused_entry_may_be_sent_again_with_its_key(operator, laser, handpiece):
    lock_out = make_lock_out(laser)
    given = body(laser, handpiece)
    problem = assert_problem(operator.post("/pulse-entries", given, key="a"), 422)
    assert (problem["code"], problem["lock_out"]) == ("laser_locked_out", lock_out.pk)
    lock_out.delete()
    assert operator.post("/pulse-entries", given, key="a").status_code == 201


def test_the_safety_officer_fires_while_locked_out(officer, laser, handpiece):
    make_lock_out(laser)
    given = body(laser, handpiece, purpose="calibration")
    assert officer.post("/pulse-entries", given, key="a").status_code == 201


def test_a_correction_by_the_safety_officer(operator, officer, laser, handpiece):
    entry = make_pulse_entry(laser, handpiece, pulses=100, fired_at=NOON)
    path = f"/pulse-entries/{entry.pk}/corrections"
    given = {"pulses": -40, "reason": "counter was read twice"}
    assert_problem(operator.post(path, given, key="a"), 403)
    answer = officer.post(path, given, key="a")
    assert answer.status_code == 201, answer.json()
    shown = answer.json()
    assert (shown["corrects"], shown["purpose"], shown["pulses"]) == (entry.pk, "correction", -40)
    assert officer.post(path, given, key="a").content == answer.content
    problem = assert_problem(officer.post(path, {**given, "pulses": -61}, key="b"), 422)
    assert (problem["code"], problem["pulses_left"]) == ("correction_too_large", 60)
    assert PulseEntry.objects.count() == 2


@pytest.mark.parametrize(
    "given", [{"pulses": 0, "reason": "x"}, {"pulses": -1, "reason": " "}, {"pulses": -1}]
)
def test_a_correction_without_a_number_or_reason(officer, laser, handpiece, given):
    entry = make_pulse_entry(laser, handpiece, fired_at=NOON)
    path = f"/pulse-entries/{entry.pk}/corrections"
    assert_problem(officer.post(path, given, key="a"), 400)
    assert PulseEntry.objects.count() == 1


@pytest.mark.parametrize("method", ["patch", "put", "delete"])
def test_an_entry_is_neither_changed_nor_removed(officer, laser, handpiece, method):
    entry = make_pulse_entry(laser, handpiece, fired_at=NOON)
    path = f"/pulse-entries/{entry.pk}"
    arguments = {"patch": [{"pulses": 1}], "put": [{"pulses": 1}], "delete": []}[method]
    assert_problem(getattr(officer, method)(path, *arguments, version=1), 405)


def test_read_page_by_page_latest_first(operator, laser, handpiece):
    entries = [
        make_pulse_entry(laser, handpiece, fired_at=NOON + timedelta(minutes=minute // 2))
        for minute in range(7)
    ]
    seen, answer = [], operator.get("/pulse-entries", limit=3)
    while True:
        seen += [row["id"] for row in answer.json()["items"]]
        following = answer.json()["next"]
        if following is None:
            break
        answer = operator.client.get(following)
    assert seen == [entry.pk for entry in reversed(entries)]


def test_found_by_device_span_purpose_and_operator(operator, laser, handpiece):
    anna = make_staff(laser.chain)
    second = make_laser(laser.clinic)
    early = make_pulse_entry(laser, handpiece, fired_at=NOON, operator=anna)
    late = make_pulse_entry(
        second, make_fitted_handpiece(second), fired_at=NOON + timedelta(hours=1)
    )
    correction = make_correction(early, -1)

    def found(**query):
        return {row["id"] for row in operator.get("/pulse-entries", **query).json()["items"]}

    assert found(laser=laser.pk) == {early.pk, correction.pk}
    assert found(handpiece=late.handpiece_id) == {late.pk}
    assert found(operator=anna.pk) == {early.pk}
    assert found(purpose="correction") == {correction.pk}
    assert found(corrects=early.pk) == {correction.pk}
    assert found(fired_from="2026-03-02T12:30:00Z") == {late.pk}
    assert found(fired_until="2026-03-02T13:00:00Z") == {early.pk, correction.pk}
    assert_problem(operator.get("/pulse-entries", fired_from="2026-03-02"), 400)
