"""Addresses of patients are not told by the database, and are found all the same."""

import hashlib
import hmac

import pytest
from cryptography.fernet import Fernet
from django.core.exceptions import FieldError
from django.core.management import call_command
from django.db import connection

from clinics.models import Change
from clinics.vocabulary import Role
from core.encryption import blind_index
from core.rotation import column_renew_batch
from core.secrets_at_rest import InvalidToken
from courses.models import Consent, ContactPoint
from courses.services.key_rotation import COLUMNS
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.booking import make_stage
from tests.support.courses import make_contact_point, make_patient
from tests.support.factories import make_clinic

pytestmark = pytest.mark.django_db

MAIL, PHONE = "Quillonia.Zephyr@invented.example", "+4915112345678"


@pytest.fixture
def clinic():
    return make_clinic(country="DE")


@pytest.fixture
def desk(clinic):
    return sign_in(Role.FRONT_DESK, clinic=clinic)


def stored(table: str) -> str:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT string_agg(row::text, ' ') FROM {table} AS row")
        return cursor.fetchone()[0] or ""


def execute(sql: str, *values: object) -> None:
    with connection.cursor() as cursor:
        cursor.execute(sql, values)


class TestAtRest:
    @pytest.mark.parametrize("table", ["courses_contactpoint", "courses_consent", "clinics_change"])
    def test_no_table_tells_an_address(self, clinic, desk, table):
        patient = make_patient(clinic)
        for channel, address in (("email", MAIL), ("sms", PHONE)):
            consent = {"purposes": ["recall"], "source": "form"}
            body = {"patient": patient.pk, "channel": channel, "address": address}
            assert desk.post("/contact-points", {**body, "consent": consent}).status_code == 201
        point = ContactPoint.objects.get(channel="sms")
        changed = desk.patch(
            f"/contact-points/{point.pk}", {"address": "+4915187654321"}, version=point.version
        )
        assert changed.json()["address"] == "+4915187654321"
        told = stored(table)
        assert told
        assert [
            word for word in (MAIL, PHONE, "invented.example", "87654321") if word in told
        ] == []

    def test_the_history_says_that_it_changed_and_not_what_it_was(self, clinic, desk):
        point = make_contact_point(make_patient(clinic))
        desk.patch(f"/contact-points/{point.pk}", {"address": MAIL}, version=point.version)
        noted = Change.objects.filter(record="contactpoint", operation="U").latest("id")
        assert noted.before["address_index"] == noted.after["address_index"] == "hidden"
        assert "address_sealed" not in noted.after

    def test_a_stored_answer_to_a_repeat_does_not_tell_it(self, clinic, desk):
        body = {"patient": make_patient(clinic).pk, "channel": "email", "address": MAIL}
        first = desk.post("/contact-points", body, key="once")
        again = desk.post("/contact-points", body, key="once")
        assert (first.content, again.headers["Idempotency-Replayed"]) == (again.content, "true")
        told = bytes.fromhex(_body_of_stored_answer())
        assert b"invented" not in told
        assert told.startswith(b"gAAAA")

    def test_it_cannot_be_filtered_by(self):
        with pytest.raises(FieldError, match="blind index"):
            ContactPoint.objects.filter(address=MAIL)

    def test_one_that_another_key_made_is_not_read(self, settings):
        make_contact_point()
        settings.FALLOW_ENCRYPTION_KEYS = [Fernet.generate_key().decode()]
        with pytest.raises(InvalidToken):
            ContactPoint.objects.get()


def _body_of_stored_answer() -> str:
    with connection.cursor() as cursor:
        cursor.execute("SELECT encode(body, 'hex') FROM core_idempotencyrecord")
        return cursor.fetchone()[0]


class TestIndex:
    def test_it_is_another_one_in_each_chain_and_the_same_in_capitals(self):
        assert blind_index(MAIL, realm=1) == blind_index(MAIL.upper(), realm=1)
        assert blind_index(MAIL, realm=1) != blind_index(MAIL, realm=2)

    def test_it_is_an_hmac_under_a_key_of_rfc_5869(self, settings):
        """RFC 5869, 2.2 and 2.3, written out: extract without salt, expand to one block."""
        settings.FALLOW_INDEX_KEYS = ["invented"]
        extracted = hmac.new(bytes(32), b"invented", hashlib.sha256).digest()
        info = b"fallow blind index 7"
        key = hmac.new(extracted, info + b"\x01", hashlib.sha256).digest()
        expected = hmac.new(key, PHONE.encode(), hashlib.sha256).hexdigest()
        assert blind_index(PHONE, realm=7) == expected


class TestSearch:
    @pytest.mark.parametrize(
        "sought",
        [
            {"phone": PHONE},
            {"phone": "+49 151 1234 5678"},
            {"phone": "0151 12345678"},
            {"email": MAIL},
            {"email": MAIL.lower()},
        ],
    )
    def test_by_the_exact_address_however_it_is_written(self, clinic, desk, sought):
        patient = make_patient(clinic)
        make_contact_point(patient, channel="sms", address=PHONE)
        make_contact_point(patient, address=MAIL)
        make_contact_point(make_patient(clinic))
        answer = desk.post("/contact-point-searches", sought)
        assert answer.status_code == 200, answer.json()
        assert [row["id"] for row in answer.json()["items"]] == [patient.pk]

    def test_a_part_of_it_finds_nobody(self, clinic, desk):
        make_contact_point(make_patient(clinic), address=MAIL)
        answer = desk.post("/contact-point-searches", {"email": "zephyr@invented.example"})
        assert answer.json() == {"items": []}

    def test_another_chain_finds_nobody(self, clinic):
        make_contact_point(make_patient(clinic), address=MAIL)
        other = sign_in(Role.FRONT_DESK, clinic=make_clinic())
        assert other.post("/contact-point-searches", {"email": MAIL}).json() == {"items": []}

    def test_it_is_a_read_of_the_records_found(self, clinic, desk):
        patient = make_patient(clinic)
        make_contact_point(patient, address=MAIL)
        desk.post("/contact-point-searches", {"email": MAIL})
        manager = sign_in(Role.CHAIN_MANAGER, chain=clinic.chain)
        [read] = manager.get("/record-reads").json()["items"]
        assert (read["patient"], read["operation"]) == (patient.pk, "contact-point-search")

    @pytest.mark.parametrize(
        ("sought", "where"),
        [
            ({"phone": "12"}, {"/phone": "phone_malformed"}),
            ({"email": "nobody"}, {"/email": "email_malformed"}),
            ({}, {"/email": "one_of"}),
            ({"phone": PHONE, "email": MAIL}, {"/email": "one_of"}),
        ],
    )
    def test_what_is_no_address_is_refused(self, desk, sought, where):
        assert pointers(assert_problem(desk.post("/contact-point-searches", sought), 400)) == where

    def test_operators_may_not(self, clinic):
        operator = sign_in(Role.LASER_OPERATOR, clinic=clinic)
        assert_problem(operator.post("/contact-point-searches", {"email": MAIL}), 403)


class TestRotation:
    """A new first key; everything is read before, during and after, then without the old one."""

    def make(self, clinic):
        point = make_contact_point(make_patient(clinic), address=MAIL)
        return point, Consent.objects.filter(contact_point=point)

    def test_after_it_the_old_keys_may_go(self, settings, clinic, desk, capsys):
        point, consents = self.make(clinic)
        version = point.version
        old, old_index = settings.FALLOW_ENCRYPTION_KEYS, settings.FALLOW_INDEX_KEYS
        new, new_index = [Fernet.generate_key().decode()], ["another-index-key"]
        settings.FALLOW_ENCRYPTION_KEYS = new + old
        settings.FALLOW_INDEX_KEYS = new_index + old_index
        assert len(desk.post("/contact-point-searches", {"email": MAIL}).json()["items"]) == 1
        call_command("rotate_keys")
        assert "courses_contactpoint: 1 written" in capsys.readouterr().out
        settings.FALLOW_ENCRYPTION_KEYS, settings.FALLOW_INDEX_KEYS = new, new_index
        assert {one.address for one in consents.all()} == {MAIL}
        assert len(desk.post("/contact-point-searches", {"email": MAIL}).json()["items"]) == 1
        point.refresh_from_db()
        assert (point.address, point.version) == (MAIL, version)

    def test_a_second_run_writes_nothing(self, settings, clinic, capsys):
        self.make(clinic)
        settings.FALLOW_ENCRYPTION_KEYS = [
            Fernet.generate_key().decode(),
            *settings.FALLOW_ENCRYPTION_KEYS,
        ]
        call_command("rotate_keys")
        before = stored("courses_contactpoint") + stored("courses_consent")
        capsys.readouterr()
        call_command("rotate_keys")
        assert stored("courses_contactpoint") + stored("courses_consent") == before
        lines = capsys.readouterr().out.splitlines()
        assert lines
        assert all(": 0 written" in line for line in lines)

    def test_it_goes_on_after_each_batch(self, clinic):
        points = [make_contact_point(make_patient(clinic)) for _ in range(3)]
        first = column_renew_batch(column=COLUMNS[0], batch=2)
        assert (first.seen, first.last) == (2, points[1].pk)
        rest = column_renew_batch(column=COLUMNS[0], after=first.last, batch=2)
        assert (rest.seen, rest.last) == (1, None)

    def test_while_index_keys_change_an_address_is_there_once(self, settings, clinic, desk):
        point, _ = self.make(clinic)
        settings.FALLOW_INDEX_KEYS = ["another-index-key", *settings.FALLOW_INDEX_KEYS]
        body = {"patient": point.patient_id, "channel": "email", "address": MAIL}
        assert_problem(desk.post("/contact-points", body), 409, "contact_point_taken")
        assert ContactPoint.objects.count() == 1


def test_the_demonstration_stage_is_encrypted_too():
    """Rows written in bulk have their index as those that are saved one by one."""
    stage = make_stage(days=1)
    point = ContactPoint(patient=stage.course.patient, channel="email", address=MAIL)
    ContactPoint.objects.bulk_create([point])
    index = ContactPoint.objects.get(pk=point.pk).address_index
    assert index == blind_index(MAIL, realm=stage.chain.pk)
