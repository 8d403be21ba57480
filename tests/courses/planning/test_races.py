"""Two at once: one calibration in force, numbers of runs, answers beside a decision."""

import pytest
import time_machine
from django.db import IntegrityError

from clinics.vocabulary import Role
from courses.calibration.as_json import report_json
from courses.calibration.records import Outcome
from courses.calibration.report import CalibrationReport
from courses.models import CalibrationRun, PrecautionAnswers
from courses.services import calibration as services
from courses.services.calibration import calibration_decide, calibration_run
from courses.services.precautions import precaution_answers_record
from courses.vocabulary import CalibrationDecisionKind
from tests.support.courses import NOW, make_patient
from tests.support.factories import make_actor, make_clinic
from tests.support.threads import at_once

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def clock():
    """The clock runs here: threads wait for each other."""
    with time_machine.travel(NOW, tick=True) as traveller:
        yield traveller


def proposed(chain, number):
    report = CalibrationReport(
        courses=40,
        counts=tuple((outcome, 10) for outcome in Outcome),
        enough=True,
        messages=("Made up for a test.",),
    )
    return CalibrationRun.objects.create(
        chain=chain,
        number=number,
        status="proposed",
        courses=40,
        reached=10,
        multiplier=0.7,
        coefficient_of_variation=0.3,
        prior_version="published",
        report={**report_json(report), "left_out": 0},
    )


def accepting(clinic, number):
    run = proposed(clinic.chain, number)
    actor = make_actor(Role.TREATING_CLINICIAN, clinic=clinic)

    def accept():
        return calibration_decide(
            run_id=run.pk,
            kind=CalibrationDecisionKind.ACCEPT,
            reason="Fits what we see",
            actor=actor,
            now=NOW,
        )

    return accept


@pytest.mark.parametrize("turn", range(5))
def test_two_accepted_at_once_leave_one_in_force(turn):
    clinic = make_clinic()
    at_once(accepting(clinic, 1), accepting(clinic, 2))
    states = CalibrationRun.objects.order_by("number").values_list("status", flat=True)
    assert sorted(states) == ["accepted", "superseded"]


def test_control_without_the_lock_on_the_chain_the_database_has_to_stop_it(monkeypatch):
    monkeypatch.setattr(services, "lock_chain", lambda **_: None)
    seen = set()
    for number in range(1, 61, 2):
        clinic = make_clinic()
        try:
            at_once(accepting(clinic, number), accepting(clinic, number + 1))
        except IntegrityError as violation:
            seen.add("calibrationrun_one_accepted" in str(violation))
            break
    assert seen == {True}


def test_runs_made_at_once_are_numbered_one_after_the_other():
    clinic = make_clinic()
    actor = make_actor(Role.TREATING_CLINICIAN, clinic=clinic)

    def run():
        return calibration_run(asker=actor, staff_id=actor.staff_id, now=NOW).number

    assert sorted(at_once(run, run, run)) == [1, 2, 3]


def test_gold_and_other_answers_at_once_are_both_kept():
    patient = make_patient()
    actor = make_actor(Role.FRONT_DESK, clinic=patient.home_clinic)

    def record(**answers):
        return precaution_answers_record(
            patient_id=patient.pk,
            answers=answers,
            clinic=None,
            answered_on=None,
            actor=actor,
            now=NOW,
        ).pk

    at_once(lambda: record(gold="yes"), lambda: record(keloid="no"), lambda: record(gold="yes"))
    patient.refresh_from_db()
    assert PrecautionAnswers.objects.filter(patient=patient).count() == 3
    assert patient.gold_therapy_ever is True
