"""A patient gets all that is kept about them, and nothing of others."""

import json

import pytest
from django.core.management import call_command

from clinics.vocabulary import Role
from tests.support.api import assert_problem, sign_in
from tests.support.booking import make_running_course, make_stage

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage():
    return make_stage(days=1)


@pytest.fixture
def clinician(stage):
    return sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)


def test_it_holds_the_record_its_history_and_its_reads(stage, clinician):
    patient = stage.course.patient
    make_running_course(stage.clinic)
    clinician.get(f"/patients/{patient.pk}")
    answer = clinician.get(f"/patients/{patient.pk}/export")
    assert answer.status_code == 200
    body = answer.json()
    [row] = body["records"]["patient"]
    assert row["family_name"] == patient.family_name
    assert [one["id"] for one in body["records"]["course"]] == [stage.course.pk]
    assert len(body["records"]["tattoo"]) == 1
    assert {one["record"] for one in body["changes"]} >= {"patient", "course", "tattoo"}
    assert [one["operation"] for one in body["reads"]] == ["patient-detail"]


def test_each_kind_of_row_of_a_record_is_there(stage, clinician):
    body = clinician.get(f"/patients/{stage.course.patient_id}/export").json()
    assert {
        "appointment",
        "clearancegrade",
        "consent",
        "contactpoint",
        "healingwindowversion",
        "message",
        "observation",
        "precautionanswers",
        "session",
        "treatmentpass",
        "waitinglistentry",
    } <= set(body["records"])


def test_the_export_is_a_read(stage, clinician):
    clinician.get(f"/patients/{stage.course.patient_id}/export")
    manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
    [read] = manager.get("/record-reads").json()["items"]
    assert read["operation"] == "patient-export"


def test_the_front_desk_may_not(stage):
    desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
    assert_problem(desk.get(f"/patients/{stage.course.patient_id}/export"), 403)


def test_another_chain_may_not(stage):
    other = sign_in(Role.TREATING_CLINICIAN)
    assert_problem(other.get(f"/patients/{stage.course.patient_id}/export"), 404)


def test_the_command_writes_it_too(stage, capsys):
    call_command("export_patient", stage.course.patient_id)
    found = json.loads(capsys.readouterr().out)
    assert found["records"]["patient"][0]["id"] == stage.course.patient_id
