"""Energy checks: what is recorded, what is refused, and what a failed one does."""

from datetime import date, timedelta

import pytest

from clinics.vocabulary import Role
from devices.models import EnergyCheck, LockOut
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.devices import make_fitted_handpiece, make_laser, make_lock_out
from tests.support.factories import make_clinic, make_reservation, now, span
from tests.support.upkeep import make_check, make_meter

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


def body(bench, **changes):
    return {
        "laser": bench.laser.pk,
        "line": bench.infrared.pk,
        "handpiece": bench.tip.pk,
        "meter": bench.meter.pk,
        "unit": "mJ",
        "set_energy": 500,
        "readings": [500, 510, 490],
        "spot_mm": 3,
        **changes,
    }


def record(caller, bench, key="one", **changes):
    return caller.post("/energy-checks", body(bench, **changes), key=key)


def test_three_readings_give_mean_spread_and_deviation(bench):
    answer = record(bench.operator, bench, spot_measured_mm=2.85)
    assert answer.status_code == 201, answer.json()
    shown = answer.json()
    assert shown["mean_j"] == pytest.approx(0.5)
    assert shown["spread_j"] == pytest.approx(0.01)
    assert (shown["deviation"], shown["passed"]) == (pytest.approx(0), True)
    assert shown["fluence"]["fluence_change_of_spot"] == pytest.approx(0.108, abs=5e-4)
    assert shown["certificate_number"] == bench.meter.certificate_number
    assert (shown["lock_out"], shown["hits"]) == (None, [])
    assert shown["basis"]
    assert shown["caution"]
    assert not LockOut.objects.exists()


@pytest.mark.parametrize(
    ("readings", "passed"),
    [
        ([400, 400, 400], True),
        ([600, 600, 600], True),
        ([399.9, 399.9, 399.9], False),
        ([600.1, 600.1, 600.1], False),
        ([300, 500, 400], True),
    ],
)
def test_the_mean_passes_up_to_the_edges(bench, readings, passed):
    assert record(bench.operator, bench, readings=readings).json()["passed"] is passed


def test_joules_and_millijoules_are_the_same_check(bench):
    record(bench.operator, bench)
    record(bench.operator, bench, key="two", unit="J", set_energy=0.5, readings=[0.5, 0.51, 0.49])
    first, second = EnergyCheck.objects.order_by("pk")
    assert first.readings_j == pytest.approx(second.readings_j)
    assert first.set_energy_j == pytest.approx(second.set_energy_j)


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"meter": None}, "/meter"),
        ({"meter": 999_999}, "/meter"),
        ({"readings": [500, 500]}, "/readings"),
        ({"readings": []}, "/readings"),
        ({"readings": [500, -500, 500]}, "/readings/1"),
        ({"readings": [500, 0, 500]}, "/readings/1"),
        ({"readings": [500, "500", 500]}, "/readings/1"),
        ({"set_energy": -1}, "/set_energy"),
        ({"unit": "erg"}, "/unit"),
        ({"spot_mm": 0}, "/spot_mm"),
        ({"spot_measured_mm": -3}, "/spot_measured_mm"),
        ({"checked_at": "2026-01-01T10:00:00"}, "/checked_at"),
        ({"watts": 3}, "/watts"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_stored(bench, wrong, pointer):
    answer = record(bench.operator, bench, **wrong)
    assert pointer in pointers(assert_problem(answer, 400))
    assert not EnergyCheck.objects.exists()
    assert not LockOut.objects.exists()


@pytest.mark.parametrize("left_out", ["meter", "unit", "readings", "set_energy", "spot_mm"])
def test_nothing_is_guessed(bench, left_out):
    fields = body(bench)
    del fields[left_out]
    answer = bench.operator.post("/energy-checks", fields, key="one")
    assert pointers(assert_problem(answer, 400)) == {f"/{left_out}": "required"}


def test_a_repeat_needs_a_key_and_records_one_check(bench):
    assert_problem(bench.operator.post("/energy-checks", body(bench)), 400)
    first = record(bench.operator, bench)
    again = record(bench.operator, bench)
    assert first.content == again.content
    assert EnergyCheck.objects.count() == 1


def test_refused_when_laser_line_handpiece_setting_or_time_do_not_fit(bench):
    other = make_laser(bench.laser.clinic)
    cases = [
        ({"line": other.laser_model.lines.first().pk}, 422, "line_not_emitted"),
        ({"handpiece": make_fitted_handpiece(other).pk}, 422, "line_not_emitted"),
        ({"set_energy": 1001}, 422, "setting_beyond_line"),
        ({"spot_mm": 7}, 422, "setting_beyond_line"),
        ({"checked_at": (now() + HOUR).isoformat()}, 400, "instant_in_the_future"),
        ({"checked_at": "2019-06-01T10:00:00Z"}, 422, "handpiece_not_fitted"),
    ]
    for number, (wrong, status, code) in enumerate(cases):
        assert_problem(record(bench.operator, bench, key=f"k{number}", **wrong), status, code)
    assert not EnergyCheck.objects.exists()


def test_a_meter_counts_while_its_certificate_does(bench):
    today = now().date()
    over = make_meter(bench.laser.chain, certificate_valid_until=today - DAY)
    last_day = make_meter(bench.laser.chain, certificate_valid_until=today)
    retired = make_meter(bench.laser.chain, status="inactive")
    answer = record(bench.operator, bench, key="a", meter=over.pk)
    assert_problem(answer, 422, "certificate_expired")
    answer = record(bench.operator, bench, key="b", meter=retired.pk)
    assert_problem(answer, 422, "meter_out_of_service")
    assert not EnergyCheck.objects.exists()
    assert record(bench.operator, bench, key="c", meter=last_day.pk).status_code == 201


def test_a_certificate_is_made_before_it_ends_and_not_tomorrow(bench):
    meter = {
        "name": "Meter",
        "serial": "S1",
        "certificate_number": "C1",
        "certified_on": "2026-01-10",
        "certificate_valid_until": "2026-01-09",
    }
    assert_problem(bench.officer.post("/meters", meter), 422, "certificate_malformed")
    ahead = (now().date() + 2 * DAY).isoformat()
    later = {**meter, "certified_on": ahead, "certificate_valid_until": "2099-01-01"}
    assert_problem(bench.officer.post("/meters", later), 422, "certificate_malformed")
    good = {**meter, "certificate_valid_until": "2027-01-10"}
    answer = bench.officer.post("/meters", good)
    assert answer.status_code == 201
    path = f"/meters/{answer.json()['id']}"
    assert_problem(bench.officer.patch(path, {"serial": "S2"}), 428)
    assert bench.officer.patch(path, {"serial": "S2"}, version=1).json()["version"] == 2
    assert_problem(bench.officer.patch(path, {"serial": "S3"}, version=1), 412)


def test_the_policy_may_ask_for_more_never_for_less(bench):
    chain = bench.laser.chain
    manager = sign_in(Role.CHAIN_MANAGER, chain=chain)
    etag = manager.etag("/chain")
    wrong = manager.patch("/chain", {"device_policy": {"tolerance": 0.3}}, version=etag)
    assert_problem(wrong, 400)
    stricter = {"device_policy": {"tolerance": 0.1, "fewest_readings": 4}}
    assert manager.patch("/chain", stricter, version=etag).status_code == 200
    assert_problem(record(bench.operator, bench), 422, "too_few_readings")
    answer = record(bench.operator, bench, key="b", readings=[445, 445, 445, 445])
    assert (answer.json()["passed"], answer.json()["tolerance"]) == (False, 0.1)
    values = {row["name"]: row for row in manager.get("/device-policy").json()["values"]}
    assert (values["tolerance"]["value"], values["tolerance"]["default"]) == (0.1, 0.2)
    assert "IEC 60601-2-22" in values["tolerance"]["source"]


def test_a_failed_check_locks_its_line_and_no_other(bench):
    booked = make_reservation(bench.laser.resource, span(now() + HOUR))
    answer = record(bench.operator, bench, readings=[390, 390, 390])
    shown = answer.json()
    lock_out = LockOut.objects.get()
    assert (lock_out.line, lock_out.reason) == (bench.infrared, "energy_check_failed")
    assert lock_out.period.upper is None
    assert shown["lock_out"] == lock_out.pk
    assert [hit["reservation"] for hit in shown["hits"]] == [booked.pk]
    laser = bench.officer.get(f"/lasers/{bench.laser.pk}").json()
    assert laser["lock_out"] is None
    assert [row["line"] for row in laser["lines_locked_out"]] == [bench.infrared.pk]
    record(bench.operator, bench, key="two", readings=[380, 380, 380])
    assert LockOut.objects.count() == 1
    record(bench.operator, bench, key="three", line=bench.green.pk, readings=[380, 380, 380])
    assert LockOut.objects.count() == 2


def test_one_that_a_later_passing_one_has_overtaken_locks_nothing(bench):
    make_check(bench.laser, bench.tip, line=bench.infrared, checked_at=now() - HOUR)
    late = (now() - 2 * HOUR).isoformat()
    answer = record(bench.operator, bench, readings=[390, 390, 390], checked_at=late)
    assert (answer.status_code, answer.json()["passed"]) == (201, False)
    assert not LockOut.objects.exists()


def test_released_only_on_a_passing_check_made_since(bench):
    record(bench.operator, bench, readings=[390, 390, 390])
    lock_out = LockOut.objects.get()
    path = f"/lock-outs/{lock_out.pk}/release"
    before = make_check(bench.laser, bench.tip, line=bench.infrared, checked_at=now() - DAY)
    assert_problem(bench.officer.post(path, {"note": "fine"}), 422, "verification_missing")
    named = {"note": "fine", "energy_check": before.pk}
    assert_problem(bench.officer.post(path, named), 422, "verification_missing")
    record(bench.operator, bench, key="g", line=bench.green.pk)
    assert_problem(bench.officer.post(path, {"note": "fine"}), 422, "verification_missing")
    good = record(bench.operator, bench, key="two").json()
    released = bench.officer.post(path, {"note": "lamp changed"})
    assert released.status_code == 200, released.json()
    assert released.json()["verification"] == good["id"]


def test_another_handpiece_does_not_clear_the_one_that_failed(bench):
    record(bench.operator, bench, readings=[390, 390, 390])
    other = make_fitted_handpiece(bench.laser)
    record(bench.operator, bench, key="two", handpiece=other.pk)
    path = f"/lock-outs/{LockOut.objects.get().pk}/release"
    problem = assert_problem(
        bench.officer.post(path, {"note": "fine"}), 422, "verification_missing"
    )
    assert problem["handpieces"] == [bench.tip.pk]
    fitting = bench.tip.fittings.get()
    assert bench.officer.post(f"/fittings/{fitting.pk}/end").status_code == 200
    assert bench.officer.post(path, {"note": "handpiece away"}).status_code == 200


def test_which_further_reasons_need_a_check_is_policy(bench):
    fault = make_lock_out(bench.laser, since=now() - HOUR)
    path = f"/lock-outs/{fault.pk}/release"
    assert_problem(bench.officer.post(path, {"note": "ok"}), 422, "verification_missing")
    chain = bench.laser.chain
    chain.device_policy = {"verified_reasons": []}
    chain.save()
    assert bench.officer.post(path, {"note": "ok"}).status_code == 200


def test_a_line_is_locked_out_by_hand_until_released(bench):
    fields = {"laser": bench.laser.pk, "line": bench.green.pk, "reason": "other"}
    bounded = {**fields, "end": (now() + DAY).isoformat()}
    assert_problem(bench.operator.post("/lock-outs", bounded), 422, "line_lock_out_bounded")
    placed = bench.operator.post("/lock-outs", fields)
    assert (placed.status_code, placed.json()["line"]) == (201, bench.green.pk)
    assert_problem(bench.operator.post("/lock-outs", fields), 409, "lock_out_overlaps")
    foreign = make_laser(bench.laser.clinic).laser_model.lines.first().pk
    answer = bench.operator.post("/lock-outs", {**fields, "line": foreign})
    assert_problem(answer, 422, "line_not_emitted")


def test_voided_with_a_reason_it_stays_and_counts_no_longer(bench):
    bad = record(bench.operator, bench, readings=[39, 39, 39]).json()
    path = f"/energy-checks/{bad['id']}"
    assert_problem(bench.operator.post(f"{path}/void", {"reason": "typed wrong"}), 403)
    voided = bench.officer.post(f"{path}/void", {"reason": "typed wrong"})
    assert voided.json()["void"]["reason"] == "typed wrong"
    assert_problem(bench.officer.post(f"{path}/void", {"reason": "again"}), 409)
    assert bench.officer.get(f"/lasers/{bench.laser.pk}/drift").json()["drifts"] == []
    assert LockOut.objects.get().period.upper is None


def test_a_check_that_something_stands_on_is_not_voided(bench):
    record(bench.operator, bench, readings=[390, 390, 390])
    good = record(bench.operator, bench, key="two").json()
    bench.officer.post(f"/lock-outs/{LockOut.objects.get().pk}/release", {"note": "fine"})
    answer = bench.officer.post(f"/energy-checks/{good['id']}/void", {"reason": "hm"})
    assert_problem(answer, 409, "energy_check_verifies")


def test_only_who_may_records_and_only_their_chain_sees(bench):
    desk = sign_in(Role.FRONT_DESK, chain=bench.laser.chain)
    assert_problem(record(desk, bench), 403)
    elsewhere = sign_in(Role.LASER_OPERATOR, clinic=make_clinic(bench.laser.chain))
    assert_problem(record(elsewhere, bench), 403, "not_allowed")
    stranger = sign_in(Role.LASER_SAFETY_OFFICER)
    assert "/laser" in pointers(assert_problem(record(stranger, bench), 400))
    check = record(bench.operator, bench).json()
    assert_problem(stranger.get(f"/energy-checks/{check['id']}"), 404)
    assert stranger.get("/energy-checks").json()["items"] == []


def test_found_by_line_outcome_and_time(bench):
    make_check(bench.laser, bench.tip, line=bench.green, checked_at=now() - DAY, deviation=0.3)
    good = make_check(bench.laser, bench.tip, line=bench.infrared, checked_at=now())
    found = bench.operator.get("/energy-checks", passed="true").json()["items"]
    assert [row["id"] for row in found] == [good.pk]
    since = (now() - HOUR).isoformat()
    found = bench.operator.get("/energy-checks", checked_from=since).json()["items"]
    assert [row["id"] for row in found] == [good.pk]
    assert_problem(bench.operator.get("/energy-checks", passed="maybe"), 400)
    assert date.fromisoformat(good.checked_at.date().isoformat())
