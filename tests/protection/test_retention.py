"""What a chain keeps no longer: traces go by themselves, records are only proposed."""

import re
from datetime import UTC, date, datetime, timedelta

import pytest
from django.conf import settings
from django.db import IntegrityError, ProgrammingError, transaction

from clinics.models import Change, RecordRead
from clinics.vocabulary import Role
from core.rotation import forgetting
from courses.models import CalendarFeed, Consent, DeliveryReport, Message, Patient, Session
from courses.retention import VALUES, RetentionPolicyInvalid, retention_policy_of
from courses.services.retention import retention_tick
from tests.support.api import assert_problem, sign_in
from tests.support.courses import make_contact_point, make_patient, make_session, make_ward
from tests.support.factories import make_clinic, make_resource, make_staff
from tests.support.recalls import make_scene, open_due, send_due
from tests.support.walls import as_web_process

pytestmark = pytest.mark.django_db

LATER = datetime(2030, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("last_contact", "kept_until"),
    [
        (date(2020, 5, 17), date(2030, 5, 17)),
        (date(2020, 2, 29), date(2030, 3, 1)),
        (date(9995, 1, 1), date.max),
    ],
)
def test_a_record_is_kept_for_whole_years(last_contact, kept_until):
    assert retention_policy_of({}).kept_until(last_contact) == kept_until


@pytest.mark.parametrize("name", VALUES)
def test_the_papers_name_each_value_with_its_default(name):
    page = (settings.BASE_DIR / "docs" / "operation.md").read_text()
    default = VALUES[name].default
    assert re.search(rf"`{name}`[^|]*: {default} \|", page)


@pytest.mark.parametrize(
    ("given", "rule"),
    [
        ({"record_years": 0}, "out_of_range"),
        ({"record_years": 2.5}, "not_whole"),
        ({"record_years": True}, "not_whole"),
        ({"years": 3}, "unknown"),
    ],
)
def test_what_a_policy_cannot_be(given, rule):
    with pytest.raises(RetentionPolicyInvalid) as refused:
        retention_policy_of(given)
    assert refused.value.rule == rule


def test_a_manager_sets_it_with_the_chain_and_a_wrong_one_is_refused():
    manager = sign_in(Role.CHAIN_MANAGER)
    version = manager.get("/chain").headers["ETag"]
    wrong = manager.patch("/chain", {"retention_policy": {"record_years": 500}}, version=version)
    problem = assert_problem(wrong, 400, "policy_invalid")
    assert problem["errors"][0]["pointer"] == "/retention_policy/record_years"
    right = manager.patch("/chain", {"retention_policy": {"record_years": 20}}, version=version)
    assert right.status_code == 200, right.json()
    shown = {one["name"]: one for one in manager.get("/retention-policy").json()["values"]}
    assert shown["record_years"]["value"] == 20
    assert {name: one["default"] for name, one in shown.items()} == {
        name: one.default for name, one in VALUES.items()
    }


class TestProposals:
    @pytest.fixture
    def clinic(self):
        return make_clinic()

    def old(self, patient, *, years):
        at = datetime.now(UTC) - timedelta(days=int(366 * years))
        Patient.objects.filter(pk=patient.pk).update(created_at=at)
        return at

    def proposed(self, clinic):
        manager = sign_in(Role.CHAIN_MANAGER, chain=clinic.chain)
        return manager.get("/retention-policy").json()["patient_ids"]

    def test_whose_last_contact_is_long_ago(self, clinic):
        forgotten, recent = make_patient(clinic), make_patient(clinic)
        self.old(forgotten, years=11)
        self.old(recent, years=9)
        self.old(make_patient(), years=11)
        assert self.proposed(clinic) == [forgotten.pk]

    def test_a_later_session_keeps_the_record(self, clinic):
        ward = make_ward(clinic=clinic)
        patient = ward.course.patient
        self.old(patient, years=12)
        make_session(ward)
        assert self.proposed(clinic) == []
        Session.objects.update(treated_on=date(2001, 1, 1))
        assert self.proposed(clinic) == [patient.pk]

    def test_nobody_is_erased_by_the_tick(self, clinic):
        patient = make_patient(clinic)
        self.old(patient, years=50)
        retention_tick(now=LATER)
        patient.refresh_from_db()
        assert patient.erased_at is None

    def test_the_desk_does_not_see_them(self, clinic):
        assert_problem(sign_in(Role.FRONT_DESK, clinic=clinic).get("/retention-policy"), 403)


class TestTraces:
    @pytest.fixture
    def sent(self):
        scene = make_scene()
        open_due(scene.noon)
        send_due(scene.noon)
        message = scene.message
        Message.objects.filter(pk=message.pk).update(
            sent_at=LATER - timedelta(days=401), provider_reference="known-1"
        )
        DeliveryReport.objects.create(
            message=message,
            provider_id="told-1",
            outcome="delivered",
            happened_at=LATER,
            received_at=LATER,
        )
        return message

    def test_names_of_messages_go_and_the_messages_stay(self, sent):
        assert retention_tick(now=LATER)["messages"] == 1
        sent.refresh_from_db()
        assert (sent.provider_reference, sent.status) == ("erased", "completed")
        report = DeliveryReport.objects.get()
        assert report.provider_id == f"erased-{report.pk}"
        assert retention_tick(now=LATER)["messages"] == 0

    def test_not_before_their_time(self, sent):
        assert retention_tick(now=LATER - timedelta(days=2))["messages"] == 0
        assert DeliveryReport.objects.get().provider_id == "told-1"

    def test_closed_calendars_go(self):
        clinic = make_clinic()
        made = {"resource": make_resource(clinic.chain), "made_by": make_staff(clinic.chain)}
        open_ = CalendarFeed.objects.create(token_digest="a" * 64, **made)
        CalendarFeed.objects.create(
            token_digest="b" * 64, revoked_at=LATER - timedelta(days=91), **made
        )
        assert retention_tick(now=LATER)["calendar_feeds"] == 1
        assert list(CalendarFeed.objects.all()) == [open_]


class TestHistory:
    """Notes of reads, and of changes, go at the end of their own time."""

    @pytest.fixture
    def chain(self):
        manager = sign_in(Role.CHAIN_MANAGER)
        manager.patch(
            "/chain",
            {"retention_policy": {"record_read_days": 365, "history_days": 2200}},
            version=manager.get("/chain").headers["ETag"],
        )
        return manager.staff.chain

    def read(self, chain, *, days):
        told = {"patient_id": 1, "staff_id": 1, "operation": "patient-list", "request_id": ""}
        return RecordRead.objects.create(at=LATER - timedelta(days=days), chain=chain, **told)

    def change(self, chain, *, days):
        told = {"transaction": 1, "record": "patient", "row_id": 1, "operation": "D"}
        return Change.objects.create(at=LATER - timedelta(days=days), chain=chain, **told)

    def test_each_goes_after_its_time_and_others_stay(self, chain):
        other = make_clinic().chain
        self.read(chain, days=366)
        self.change(chain, days=2201)
        kept = [self.read(chain, days=364), self.read(other, days=366)]
        changes = [self.change(chain, days=2199), self.change(other, days=2201)]
        done = retention_tick(now=LATER)
        assert (done["record_reads"], done["changes"]) == (1, 1)
        assert set(RecordRead.objects.filter(patient_id=1)) == set(kept)
        assert set(Change.objects.filter(operation="D", row_id=1)) == set(changes)

    def test_more_than_a_batch(self, chain, monkeypatch):
        monkeypatch.setattr("courses.services.retention.BATCH", 2)
        for _ in range(5):
            self.read(chain, days=400)
        assert retention_tick(now=LATER)["record_reads"] == 5

    def test_what_would_go_is_shown(self, chain):
        manager = sign_in(Role.CHAIN_MANAGER, chain=chain)
        RecordRead.objects.create(
            at=datetime.now(UTC) - timedelta(days=4000),
            chain=chain,
            patient_id=1,
            staff_id=1,
            operation="patient-list",
            request_id="",
        )
        shown = manager.get("/retention-policy").json()
        assert (shown["record_reads"], shown["changes"]) == (1, 0)

    def test_nobody_else_deletes_them(self, chain):
        row = self.read(chain, days=400)
        with pytest.raises(IntegrityError, match="only grows"), transaction.atomic():
            row.delete()
        denied = pytest.raises(ProgrammingError, match="permission denied")
        with denied, transaction.atomic(), as_web_process(), forgetting():
            row.delete()

    def test_a_ledger_is_never_forgotten(self, chain):
        make_contact_point()
        consent = Consent.objects.first()
        refused = pytest.raises(IntegrityError, match="only grows")
        with refused, transaction.atomic(), forgetting():
            consent.delete()
