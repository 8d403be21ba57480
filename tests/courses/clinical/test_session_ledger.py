"""What a session hands to the ledger: the setting of each pass, and how long it lasted."""

from datetime import timedelta

import pytest

from courses.models import Session
from devices.metrology import pulse_energy_j
from devices.models import PulseEntry
from tests.support.api import assert_problem, pointers
from tests.support.courses import NOW

pytestmark = pytest.mark.django_db


def test_a_pass_is_in_the_ledger_with_what_it_delivered(ward, operator):
    body = ward.session_body()
    [told] = body["passes"]
    answer = operator.post("/sessions", body, key="s1")
    assert answer.status_code == 201, answer.json()
    entry = PulseEntry.objects.get()
    energy = pulse_energy_j(told["fluence_j_cm2"], spot_mm=told["spot_mm"])
    assert (entry.spot_mm, entry.fluence_j_cm2, entry.rate_hz) == (
        told["spot_mm"],
        told["fluence_j_cm2"],
        told["rate_hz"],
    )
    assert (entry.energy_j, entry.total_energy_j) == (energy, energy * told["pulses"])
    assert (entry.sequence, len(bytes(entry.digest))) == (1, 32)
    assert answer.json()["passes"][0]["ended_at"] is None


def ending(ward, *, seconds, **fields):
    body = ward.session_body()
    [one] = body["passes"]
    started = one["started_at"]
    one |= {"ended_at": f"{started}", **fields}
    began = NOW.fromisoformat(started)
    one["ended_at"] = (began + timedelta(seconds=seconds)).isoformat()
    return body


def test_the_pulses_of_a_pass_fit_the_time_it_says(ward, operator):
    refused = operator.post("/sessions", ending(ward, seconds=19, rate_hz=10.0), key="a")
    problem = assert_problem(refused, 422, "session_refused")
    assert "take longer than 19 s" in problem["detail"]
    assert not PulseEntry.objects.exists()
    answer = operator.post("/sessions", ending(ward, seconds=20, rate_hz=10.0), key="b")
    assert answer.status_code == 201, answer.json()
    assert PulseEntry.objects.get().ended_at is not None


def test_a_pass_ends_after_its_start(ward, operator):
    problem = assert_problem(
        operator.post("/sessions", ending(ward, seconds=-1), key="a"), 400, "invalid"
    )
    assert pointers(problem) == {"/passes/0/ended_at": "order"}
    assert not Session.objects.exists()


def test_a_session_entered_in_error_takes_its_energy_back(ward, operator, clinician):
    made = operator.post("/sessions", ward.session_body(), key="s1").json()
    clinician.post(f"/sessions/{made['id']}/mark-entered-in-error", {"reason": "wrong patient"})
    energies = [*PulseEntry.objects.values_list("total_energy_j", flat=True)]
    assert len(energies) == 2
    assert sum(energies) == 0
