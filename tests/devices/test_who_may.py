"""Another chain's devices do not exist; a role counts at its clinic and nowhere else."""

import pytest

from clinics.vocabulary import Role
from devices.models import Fitting, Laser, LaserAuthorisation, LockOut, PulseEntry
from tests.support.api import anonymous, assert_problem, sign_in
from tests.support.devices import (
    make_fitted_handpiece,
    make_handpiece,
    make_laser,
    make_lock_out,
    make_pulse_entry,
)
from tests.support.factories import make_clinic, make_credential, make_staff, now

pytestmark = pytest.mark.django_db

ROLES = {
    "device.write": {Role.CHAIN_MANAGER, Role.LASER_SAFETY_OFFICER},
    "lock_out.write": set(Role) - {Role.FRONT_DESK, Role.INTEGRATOR},
    "fitting.write": {Role.LASER_SAFETY_OFFICER, Role.LASER_OPERATOR},
    "pulse_entry.write": {
        Role.LASER_SAFETY_OFFICER,
        Role.LASER_OPERATOR,
        Role.TREATING_CLINICIAN,
    },
    "pulse_entry.read": set(Role) - {Role.FRONT_DESK},
}


@pytest.fixture
def theirs():
    """Something of every kind, in another chain: path of a resource -> key."""
    laser = make_laser()
    handpiece = make_fitted_handpiece(laser)
    model = laser.laser_model
    authorisation = LaserAuthorisation.objects.create(
        credential=make_credential(make_staff(laser.chain)), laser_model=model
    )
    return {
        "laser-models": model.pk,
        "emission-lines": model.lines.first().pk,
        "laser-authorisations": authorisation.pk,
        "lasers": laser.pk,
        "lock-outs": make_lock_out(laser).pk,
        "handpieces": handpiece.pk,
        "fittings": Fitting.objects.get().pk,
        "pulse-entries": make_pulse_entry(laser, handpiece, fired_at=now()).pk,
    }


ACTIONS = [
    ("patch", "laser-models/{}", {"name": "x"}),
    ("delete", "laser-models/{}", None),
    ("patch", "emission-lines/{}", {"max_rate_hz": 1}),
    ("delete", "emission-lines/{}", None),
    ("delete", "laser-authorisations/{}", None),
    ("patch", "lasers/{}", {"label": "x"}),
    ("get", "lasers/{}/usage", None),
    ("delete", "lock-outs/{}", None),
    ("post", "lock-outs/{}/release", {"note": "x"}),
    ("patch", "handpieces/{}", {"serial": "x"}),
    ("get", "handpieces/{}/life", None),
    ("post", "fittings/{}/end", {}),
    ("post", "pulse-entries/{}/corrections", {"pulses": 1, "reason": "x"}),
]


def send(caller, method, path, body):
    if method == "get":
        return caller.get(path)
    if method == "post":
        return caller.post(path, body, key="k")
    if method == "patch":
        return caller.patch(path, body, version="*")
    return caller.delete(path, version="*")


def test_nothing_of_another_chain_is_listed_or_shown(theirs):
    for role in (Role.CHAIN_MANAGER, Role.LASER_SAFETY_OFFICER):
        caller = sign_in(role)
        for path, key in theirs.items():
            assert caller.get(f"/{path}").json()["items"] == []
            assert_problem(caller.get(f"/{path}/{key}"), 404)


@pytest.mark.parametrize(("method", "path", "body"), ACTIONS)
def test_nothing_of_another_chain_is_changed(theirs, method, path, body):
    officer = sign_in(Role.LASER_SAFETY_OFFICER)
    key = theirs[path.split("/")[0]]
    assert_problem(send(officer, method, "/" + path.format(key), body), 404)


def test_no_token_no_answer(theirs):
    for path, key in theirs.items():
        assert_problem(anonymous().get(f"/{path}"), 401)
        assert_problem(anonymous().get(f"/{path}/{key}"), 401)


def place_laser(caller, laser):
    body = {"clinic": laser.clinic_id, "laser_model": laser.laser_model_id, "serial": "new"}
    return caller.post("/lasers", body)


def lock_out(caller, laser):
    return caller.post("/lock-outs", {"laser": laser.pk, "reason": "fault"})


def put_on(caller, laser):
    handpiece = make_handpiece(laser.laser_model)
    return caller.post("/fittings", {"laser": laser.pk, "handpiece": handpiece.pk})


def test_fire(caller, laser):
    handpiece = make_fitted_handpiece(laser)
    line = handpiece.lines.first()
    body = {
        "laser": laser.pk,
        "handpiece": handpiece.pk,
        "line": line.pk,
        "pulses": 1,
        "purpose": "test_fire",
    }
    return caller.post("/pulse-entries", body, key="k")


test_fire.__test__ = False


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize(
    ("policy", "write"),
    [
        ("device.write", place_laser),
        ("lock_out.write", lock_out),
        ("fitting.write", put_on),
        ("pulse_entry.write", test_fire),
    ],
)
def test_a_role_counts_at_its_own_clinic_only(role, policy, write):
    laser = make_laser()
    here = sign_in(role, clinic=laser.clinic)
    elsewhere = sign_in(role, clinic=make_clinic(laser.chain))
    everywhere = sign_in(role, chain=laser.chain)
    rows = [Laser.objects.count(), LockOut.objects.count(), PulseEntry.objects.count()]
    assert_problem(write(elsewhere, laser), 403)
    assert rows == [Laser.objects.count(), LockOut.objects.count(), PulseEntry.objects.count()]
    allowed = role in ROLES[policy]
    caller = here if role != Role.INTEGRATOR else everywhere
    answer = write(caller, laser)
    assert answer.status_code == (201 if allowed else 403), answer.json()


@pytest.mark.parametrize("role", Role)
def test_who_reads_the_ledger(role):
    laser = make_laser()
    answer = sign_in(role, clinic=laser.clinic).get("/pulse-entries")
    assert answer.status_code == (200 if role in ROLES["pulse_entry.read"] else 403)


def test_no_row_of_the_service_is_needed_to_read_a_list_as_nobody():
    assert_problem(sign_in(None).get("/lasers"), 403)
