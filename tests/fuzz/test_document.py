"""Whatever the document allows is answered as the document says; a long run is `bench.fuzz`."""

from collections import Counter
from collections.abc import Iterator
from io import StringIO

import pytest
import time_machine
from django.core.management import call_command
from django.db import transaction
from rest_framework.exceptions import NotFound
from rest_framework.response import Response

from clinics.api.authentication import StaffTokenAuthentication
from clinics.api.organisation import ClinicSerializer, ClinicViewSet
from clinics.api.people import CredentialViewSet
from clinics.models import Chain, Clinic
from tests.support.access_world import fill
from tests.support.demo import LOADED_AT, unit
from tests.support.fuzz import Fuzzer, trimmed
from tests.support.fuzz_callers import CALLBACKS, METRICS, OF_PEOPLE
from tests.support.fuzz_stories import tell_stories, told_paths

CASES = 5
SEED = 20270301
PATIENTS = 12
OF_OTHERS = ("/r/", "/u/", "/calendars/", CALLBACKS, METRICS)
"""What patients, calendars, providers and watchers ask, each with what was given to them."""
OVER = {"POST /r/{token}/book"}
"""A time is booked at that address alone at which it was offered."""

# One test asks every operation: it takes as long as many.
pytestmark = pytest.mark.timeout(900)


@pytest.fixture(scope="module")
def db(django_db_setup, django_db_blocker) -> Iterator[None]:
    """The test database, in a transaction that is rolled back after the last test."""
    with django_db_blocker.unblock(), unit():
        yield
        transaction.set_rollback(True)


@pytest.fixture(scope="module")
def fuzzer(db, tmp_path_factory) -> Iterator[Fuzzer]:
    """Over a small demonstration."""
    path = tmp_path_factory.mktemp("fuzz") / "credentials.json"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("django.conf.settings.FALLOW_CREDENTIALS_FILE", path)
        patch.setattr("django.conf.settings.FALLOW_CALLBACK_SECRET", "made up")
        patch.setattr("django.conf.settings.FALLOW_METRICS_TOKEN", "made-up")
        with time_machine.travel(LOADED_AT):
            call_command("load_demo", patients=PATIENTS, stdout=StringIO())
            fill(Chain.objects.get())
            yield Fuzzer(Chain.objects.order_by("pk")[0])


def test_every_operation_answers_as_the_document_says(fuzzer):
    found = {}
    for label in sorted(fuzzer.operations):
        outcome = fuzzer.run(label, cases=CASES, seed=SEED)
        assert outcome.cases, label
        if outcome.findings:
            found[label] = outcome.findings
    assert found == {}


def test_what_a_token_of_a_program_does_not_open_is_asked_by_whom_it_is_for(fuzzer):
    closed, found = [], {}
    for label, operation in fuzzer.operations.items():
        if operation.path.startswith(OF_PEOPLE + OF_OTHERS):
            outcome = fuzzer.run(label, cases=24, seed=SEED, coverage=6)
            found |= {label: outcome.findings} if outcome.findings else {}
            closed += [] if {"200", "201", "204"} & set(outcome.statuses) else [label]
    assert found == {}
    assert set(closed) <= OVER


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


def test_spaces_at_the_ends_of_texts_do_not_count():
    assert trimmed({"name": " a b ", "lines": [{"to": "c "}, 3]}) == {
        "name": "a b",
        "lines": [{"to": "c"}, 3],
    }


def test_what_is_made_is_there_until_it_is_taken_away(fuzzer):
    found, met = {}, Counter()
    for path in told_paths(fuzzer):
        outcome = tell_stories(fuzzer, path, requests=CASES, seed=SEED)
        met.update(outcome.statuses)
        found |= {path: outcome.findings} if outcome.findings else {}
    assert found == {}
    assert met["201"]
    assert met["204"]
    assert len(fuzzer.peers.stranger.asked) > 15, "what was made is asked for from another chain"


def test_what_another_chain_is_shown_is_found_out(fuzzer, monkeypatch):
    """Whoever reads a credential is taken for whoever made it."""
    sign_in, seen = StaffTokenAuthentication.authenticate, []

    def confuses(self, request):
        found = sign_in(self, request)
        if found and request.path.startswith("/api/v1/credentials/"):
            seen.append(request.actor)
            request.actor = seen[0]
        return found

    monkeypatch.setattr(StaffTokenAuthentication, "authenticate", confuses)
    fuzzer.peers.begin()
    outcome = tell_stories(fuzzer, "/api/v1/credentials", requests=20, seed=SEED)
    assert "ObjectLevelAuthorizationViolation" in str(outcome.findings)


def test_what_is_lost_is_found_out(fuzzer, monkeypatch):
    def is_not_there(*args, **kwargs):
        raise NotFound

    monkeypatch.setattr(CredentialViewSet, "retrieve", is_not_there)
    outcome = tell_stories(fuzzer, "/api/v1/credentials", requests=20, seed=SEED)
    assert "What was made is not there" in outcome.findings


def test_what_outlives_its_end_is_found_out(fuzzer, monkeypatch):
    monkeypatch.setattr(CredentialViewSet, "destroy", lambda *_, **__: Response(status=204))
    outcome = tell_stories(fuzzer, "/api/v1/credentials", requests=40, seed=SEED)
    assert "UseAfterFree" in str(outcome.findings)
