"""What a firing delivered is stored with it; what cannot have been fired is refused."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from devices.metrology import pulse_energy_j, spot_area_cm2
from devices.models import Fitting, PulseEntry
from devices.services.ledger_heads import ledger_heads_note
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.devices import fit, make_fitted_handpiece, make_handpiece, make_laser
from tests.support.factories import now, number
from tests.support.ledger import entry_at, make_chain_of, without_triggers

pytestmark = pytest.mark.django_db

SETTING = {"spot_mm": 3.0, "fluence_j_cm2": 8.0, "rate_hz": 10.0}


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


def fire(caller, handpiece, laser, *, seconds=None, **fields):
    began = now() - timedelta(hours=1)
    told = {
        "laser": laser.pk,
        "handpiece": handpiece.pk,
        "line": handpiece.lines.get(wavelength_nm=1064).pk,
        "pulses": 25,
        "purpose": "test_fire",
        "fired_at": began.isoformat(),
        **fields,
    }
    if seconds is not None:
        told["ended_at"] = (began + timedelta(seconds=seconds)).isoformat()
    return caller.post("/pulse-entries", told, key=f"k{number()}")


def test_energies_area_and_power_are_derived(operator, laser, handpiece):
    shown = fire(operator, handpiece, laser, seconds=3, **SETTING).json()
    energy = pulse_energy_j(8.0, spot_mm=3.0)
    assert shown["energy_j"] == pytest.approx(0.5655, abs=5e-5)
    assert shown["energy_j"] == energy
    assert shown["total_energy_j"] == energy * 25
    assert shown["area_cm2"] == spot_area_cm2(3.0) * 25
    assert shown["average_power_w"] == energy * 10
    assert (shown["sequence"], shown["previous"], len(shown["digest"])) == (1, "00" * 32, 64)


def test_a_correction_takes_as_much_away(operator, officer, laser, handpiece):
    shown = fire(operator, handpiece, laser, **SETTING).json()
    path = f"/pulse-entries/{shown['id']}/corrections"
    mended = officer.post(path, {"pulses": -25, "reason": "never fired"}, key="c").json()
    for name in ("total_energy_j", "area_cm2"):
        assert shown[name] + mended[name] == 0
    assert mended["energy_j"] == shown["energy_j"]
    assert (mended["sequence"], mended["previous"]) == (2, shown["digest"])


def test_without_a_setting_nothing_is_derived(operator, laser, handpiece):
    shown = fire(operator, handpiece, laser).json()
    assert {shown[name] for name in (*SETTING, "energy_j", "total_energy_j")} == {None}


@pytest.mark.parametrize(
    ("fields", "status", "code"),
    [
        ({**SETTING, "fluence_j_cm2": 15.0}, 422, "beyond_emission_line"),
        ({**SETTING, "rate_hz": 10.1}, 422, "beyond_emission_line"),
        ({**SETTING, "spot_mm": 2.5}, 422, "spot_not_listed"),
        ({**SETTING, "spot_mm": 4.0, "fluence_j_cm2": 2.0}, 422, "spot_not_listed"),
        ({"spot_mm": 3.0}, 400, "setting_incomplete"),
        ({"spot_mm": 3.0, "rate_hz": 5.0}, 400, "setting_incomplete"),
        ({**SETTING, "spot_mm": 0}, 400, None),
        ({**SETTING, "fluence_j_cm2": -4}, 400, None),
        ({**SETTING, "rate_hz": "5 Hz"}, 400, None),
        ({"pulses": -5}, 400, None),
        ({"pulses": 26, "seconds": 2.5, **SETTING}, 422, "pulses_beyond_time"),
        ({"pulses": 26, "seconds": 5, **SETTING, "rate_hz": 5.0}, 422, "pulses_beyond_time"),
        ({"pulses": 26, "seconds": 2.5}, 422, "pulses_beyond_time"),
        ({"seconds": -1}, 400, "firing_ends_first"),
        ({"seconds": 7200}, 400, "instant_in_the_future"),
    ],
)
def test_what_cannot_have_been_fired(operator, laser, handpiece, fields, status, code):
    assert_problem(fire(operator, handpiece, laser, **fields), status, code)
    assert not PulseEntry.objects.exists()


def test_three_thousand_pulses_fit_three_hundred_seconds_at_ten_hertz(operator, laser, handpiece):
    """LG11 of the laser safety reference: 3001 are refused, 3000 are not (recomputed)."""
    refused = fire(operator, handpiece, laser, seconds=300, pulses=3001, **SETTING)
    problem = assert_problem(refused, 422, "pulses_beyond_time")
    assert problem["most_pulses"] == 3000
    answer = fire(operator, handpiece, laser, seconds=300, pulses=3000, **SETTING)
    assert answer.status_code == 201


def test_the_handpiece_stays_on_while_it_fires(operator, laser):
    began = now() - timedelta(hours=1)
    handpiece = make_handpiece(laser.laser_model)
    fit(handpiece, laser, since=began - timedelta(hours=1), until=began + timedelta(seconds=20))
    assert_problem(fire(operator, handpiece, laser, seconds=60), 422, "handpiece_not_fitted")
    assert fire(operator, handpiece, laser, seconds=10).status_code == 201
    assert Fitting.objects.count() == 1


def path_of(laser):
    return f"/lasers/{laser.pk}/ledger-verification"


def test_a_ledger_that_holds(officer, laser):
    make_chain_of(3, laser=laser)
    told = officer.get(path_of(laser)).json()
    assert (told["holds"], told["entries"], told["first_break"]) == (True, 3, None)
    assert told["head"]["digest"] == bytes(entry_at(laser, 3).digest).hex()
    assert told["basis"]
    assert told["caution"]
    assert "owns the tables" in told["limits"]


def test_a_ledger_of_nothing(officer, laser):
    told = officer.get(path_of(laser)).json()
    assert (told["holds"], told["entries"], told["head"]) == (True, 0, None)


def test_names_the_first_break(officer, laser):
    make_chain_of(3, laser=laser)
    entry = entry_at(laser, 2)
    with without_triggers() as sql:
        sql.execute("UPDATE devices_pulseentry SET pulses = 1 WHERE id = %s", [entry.pk])
    told = officer.get(path_of(laser)).json()
    assert told["holds"] is False
    found = told["first_break"]
    assert (found["sequence"], found["kind"], found["entry"]) == (2, "content_changed", entry.pk)
    assert found["expected"] != found["found"] == bytes(entry.digest).hex()
    assert found["detail"]


def test_a_head_from_elsewhere_finds_a_cut_tail(officer, laser):
    make_chain_of(3, laser=laser)
    head = officer.get(path_of(laser)).json()["head"]
    with without_triggers() as sql:
        sql.execute("DELETE FROM devices_pulseentry WHERE sequence = 3")
    assert officer.get(path_of(laser)).json()["holds"] is True
    told = officer.get(path_of(laser), **head).json()
    assert (told["first_break"]["sequence"], told["first_break"]["kind"]) == (3, "tail_missing")


@pytest.mark.parametrize(
    "query",
    [
        {"sequence": 1},
        {"digest": "0" * 64},
        {"sequence": 0, "digest": "0" * 64},
        {"sequence": 1, "digest": "zz"},
        {"colour": "red"},
    ],
)
def test_a_head_that_is_none(officer, laser, query):
    assert_problem(officer.get(path_of(laser), **query), 400)


def test_who_may_verify(laser):
    for role in (Role.LASER_SAFETY_OFFICER, Role.CHAIN_MANAGER, Role.INTEGRATOR):
        assert sign_in(role, chain=laser.chain).get(path_of(laser)).status_code == 200
    assert_problem(sign_in(Role.FRONT_DESK, chain=laser.chain).get(path_of(laser)), 403)
    assert_problem(sign_in(Role.LASER_SAFETY_OFFICER).get(path_of(laser)), 404, "laser_unknown")


def test_a_long_ledger_costs_no_more_queries_than_a_short_one(officer, laser):
    make_chain_of(2, laser=laser)
    ledger_heads_note(now=now())
    few = queries_of(officer, path_of(laser))
    make_chain_of(20, laser=laser)
    ledger_heads_note(now=now())
    assert queries_of(officer, path_of(laser)) == few
