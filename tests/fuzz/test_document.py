"""Whatever the document allows is answered as the document says; a long run is `bench.fuzz`."""

from collections.abc import Iterator
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import transaction

from clinics.api.organisation import ClinicSerializer, ClinicViewSet
from clinics.models import Chain, Clinic
from tests.support.demo import unit
from tests.support.fuzz import Fuzzer

CASES = 5
SEED = 20270301
PATIENTS = 12

# One test asks every operation: it takes as long as many.
pytestmark = pytest.mark.timeout(900)


@pytest.fixture(scope="module")
def fuzzer(django_db_setup, django_db_blocker, tmp_path_factory) -> Iterator[Fuzzer]:
    """Over a small demonstration, in a transaction that is rolled back after the last test."""
    path = tmp_path_factory.mktemp("fuzz") / "credentials.json"
    with django_db_blocker.unblock():
        opened = unit()
        opened.__enter__()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("django.conf.settings.FALLOW_CREDENTIALS_FILE", path)
            call_command("load_demo", patients=PATIENTS, stdout=StringIO())
        yield Fuzzer(Chain.objects.get())
        transaction.set_rollback(True)
        opened.__exit__(None, None, None)


def test_every_operation_answers_as_the_document_says(fuzzer):
    found = {}
    for label in sorted(fuzzer.operations):
        outcome = fuzzer.run(label, cases=CASES, seed=SEED)
        assert outcome.cases, label
        if outcome.findings:
            found[label] = outcome.findings
    assert found == {}


def test_good_requests_reach_rows_and_leave_nothing(fuzzer):
    before = list(Clinic.objects.order_by("pk").values())
    outcome = fuzzer.run("PATCH /api/v1/clinics/{id}", cases=60, seed=SEED)
    assert outcome.statuses.get("200"), outcome.statuses
    assert list(Clinic.objects.order_by("pk").values()) == before


def test_a_fault_is_found(fuzzer, monkeypatch):
    def fails(*args, **kwargs):
        raise RuntimeError("planted")

    monkeypatch.setattr(ClinicViewSet, "list", fails)
    outcome = fuzzer.run("GET /api/v1/clinics", cases=CASES, seed=SEED)
    assert outcome.server_errors
    assert "planted" in str(outcome.findings)


def test_an_answer_that_the_document_does_not_know_is_found(fuzzer, monkeypatch):
    monkeypatch.setattr(ClinicSerializer, "to_representation", lambda *_: {"id": "a text"})
    outcome = fuzzer.run("GET /api/v1/clinics", cases=CASES, seed=SEED)
    assert outcome.violations
