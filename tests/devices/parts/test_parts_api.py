"""Parts: rated lives, where they sit, and what the ledger says they have done."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from devices.models import Installation, Part
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.devices import (
    make_correction,
    make_fitted_handpiece,
    make_laser,
    make_pulse_entry,
)
from tests.support.factories import LONG_AGO, make_clinic, now
from tests.support.upkeep import install, make_part

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


@pytest.fixture
def laser():
    return make_laser(make_clinic())


@pytest.fixture
def officer(laser):
    return sign_in(Role.LASER_SAFETY_OFFICER, chain=laser.chain)


def test_a_part_is_added_changed_and_found(officer):
    answer = officer.post(
        "/parts",
        {"kind": "flashlamp", "serial": "FL-1", "rated_life_pulses": 5_000_000},
    )
    assert answer.status_code == 201, answer.json()
    path = f"/parts/{answer.json()['id']}"
    assert_problem(officer.patch(path, {"rated_life_months": 24}), 428)
    changed = officer.patch(path, {"rated_life_months": 24}, version=1)
    assert (changed.json()["rated_life_months"], changed.json()["version"]) == (24, 2)
    found = officer.get("/parts", kind="flashlamp").json()["items"]
    assert [row["serial"] for row in found] == ["FL-1"]
    twice = officer.post("/parts", {"kind": "flashlamp", "serial": "FL-1"})
    assert_problem(twice, 409, "part_taken")


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"rated_life_pulses": -1}, "/rated_life_pulses"),
        ({"rated_life_months": 0}, "/rated_life_months"),
        ({"pulses_before": -5}, "/pulses_before"),
        ({"kind": "engine"}, "/kind"),
        ({"wavelengths_nm": [0]}, "/wavelengths_nm/0"),
    ],
)
def test_impossible_values_are_refused(officer, wrong, pointer):
    answer = officer.post("/parts", {"kind": "filter", "serial": "F", **wrong})
    assert pointer in pointers(assert_problem(answer, 400))
    assert not Part.objects.exists()


def test_installed_in_one_place_at_a_time(officer, laser):
    part = make_part(laser.chain)
    first = officer.post("/installations", {"part": part.pk, "laser": laser.pk})
    assert first.status_code == 201, first.json()
    again = officer.post("/installations", {"part": part.pk, "laser": laser.pk})
    assert_problem(again, 409, "part_installed")
    other = make_laser(make_clinic(laser.chain))
    moved = officer.post("/installations", {"part": part.pk, "laser": other.pk})
    assert moved.status_code == 201
    old = Installation.objects.get(pk=first.json()["id"])
    assert old.period.upper == Installation.objects.get(pk=moved.json()["id"]).period.lower
    assert old.removed_by_id == officer.staff.pk


def test_taken_out_once_and_never_before_it_went_in(officer, laser):
    stay = install(make_part(laser.chain), laser, since=now() - DAY)
    path = f"/installations/{stay.pk}/end"
    before = {"removed_at": (now() - 2 * DAY).isoformat()}
    assert_problem(officer.post(path, before), 400, "ends_before_start")
    assert_problem(officer.post(path, {"removed_at": (now() + DAY).isoformat()}), 400)
    assert officer.post(path, {"note": "cracked"}).json()["removal_note"] == "cracked"
    assert_problem(officer.post(path), 409, "installation_over")


def test_in_a_laser_or_in_a_handpiece_never_both_or_neither(officer, laser):
    part, tip = make_part(laser.chain), make_fitted_handpiece(laser)
    both = {"part": part.pk, "laser": laser.pk, "handpiece": tip.pk}
    assert_problem(officer.post("/installations", both), 400)
    assert_problem(officer.post("/installations", {"part": part.pk}), 400)
    assert not Installation.objects.exists()
    answer = officer.post("/installations", {"part": part.pk, "handpiece": tip.pk})
    assert answer.json()["handpiece"] == tip.pk


def test_a_part_that_sits_somewhere_stays_in_service(officer, laser):
    part = make_part(laser.chain)
    install(part, laser)
    answer = officer.patch(f"/parts/{part.pk}", {"status": "inactive"}, version=1)
    assert_problem(answer, 409, "device_in_use")
    retired = make_part(laser.chain, status="inactive")
    answer = officer.post("/installations", {"part": retired.pk, "laser": laser.pk})
    assert_problem(answer, 422, "part_out_of_service")


def test_only_who_may_installs(laser):
    part = make_part(laser.chain)
    desk = sign_in(Role.FRONT_DESK, chain=laser.chain)
    answer = desk.post("/installations", {"part": part.pk, "laser": laser.pk})
    assert_problem(answer, 403)
    elsewhere = sign_in(Role.LASER_OPERATOR, clinic=make_clinic(laser.chain))
    answer = elsewhere.post("/installations", {"part": part.pk, "laser": laser.pk})
    assert_problem(answer, 403, "not_allowed")
    stranger = sign_in(Role.LASER_SAFETY_OFFICER)
    assert_problem(stranger.get(f"/parts/{part.pk}"), 404)


def test_life_counts_the_ledger_while_installed_and_corrections_with_their_entries(officer, laser):
    tip = make_fitted_handpiece(laser)
    part = make_part(laser.chain, rated_life_pulses=1000, pulses_before=100)
    begins = now() - 10 * DAY
    install(part, laser, since=begins, until=begins + 5 * DAY)
    make_pulse_entry(laser, tip, pulses=40, fired_at=begins - DAY)
    inside = make_pulse_entry(laser, tip, pulses=300, fired_at=begins + DAY)
    make_correction(inside, -50)
    make_pulse_entry(laser, tip, pulses=7, fired_at=begins + 5 * DAY)
    life = officer.get(f"/parts/{part.pk}/life").json()
    assert (life["pulses_logged"], life["pulses_so_far"], life["pulses_left"]) == (250, 350, 650)
    assert life["used_share"] == pytest.approx(0.35)
    assert life["laser"] is None


def test_a_doubling_crystal_is_worn_by_its_own_line_only(officer, laser):
    tip = make_fitted_handpiece(laser)
    green, infrared = laser.laser_model.lines.order_by("wavelength_nm")
    part = make_part(laser.chain, kind="crystal", wavelengths_nm=[532])
    install(part, laser)
    make_pulse_entry(laser, tip, pulses=10, line=green, fired_at=now())
    make_pulse_entry(laser, tip, pulses=99, line=infrared, fired_at=now())
    assert officer.get(f"/parts/{part.pk}/life").json()["pulses_so_far"] == 10


def test_a_window_in_a_handpiece_goes_with_it_from_laser_to_laser(officer, laser):
    tip = make_fitted_handpiece(laser)
    window = make_part(laser.chain, kind="window")
    install(window, tip)
    make_pulse_entry(laser, tip, pulses=5, fired_at=now())
    make_pulse_entry(laser, make_fitted_handpiece(laser), pulses=77, fired_at=now())
    assert officer.get(f"/parts/{window.pk}/life").json()["pulses_so_far"] == 5


def test_the_parts_of_a_laser_in_one_answer(officer, laser):
    tip = make_fitted_handpiece(laser, rated_life_pulses=200, counter_at_start=20)
    lamp = make_part(laser.chain, kind="flashlamp", rated_life_months=12)
    install(lamp, laser, since=LONG_AGO)
    window = make_part(laser.chain, kind="window")
    install(window, tip)
    install(make_part(laser.chain), make_laser(laser.clinic))
    make_pulse_entry(laser, tip, pulses=30, fired_at=now())
    shown = officer.get(f"/lasers/{laser.pk}/parts").json()["parts"]
    assert [row["kind"] for row in shown] == ["flashlamp", "handpiece", "window"]
    assert [row["pulses_logged"] for row in shown] == [30, 30, 30]
    assert shown[0]["used_share"] > 1
    assert shown[1]["used_share"] == pytest.approx(0.25)


def test_one_query_for_all_parts_of_a_laser(officer, laser):
    tip = make_fitted_handpiece(laser)
    make_pulse_entry(laser, tip, fired_at=now())
    path = f"/lasers/{laser.pk}/parts"
    install(make_part(laser.chain), laser)
    few = queries_of(officer, path)
    for _ in range(10):
        install(make_part(laser.chain), laser)
        install(make_part(laser.chain, kind="window"), tip)
    assert len(officer.get(path).json()["parts"]) == 22
    assert queries_of(officer, path) == few
