"""A patient's personal data go from every table; what was treated stays, under a pseudonym."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import IntegrityError, ProgrammingError, connection, models, transaction
from django.utils import timezone

from clinics.models import Change
from clinics.vocabulary import Role
from core.history import subject_lookup
from core.rotation import rewriting
from courses.models import (
    Appointment,
    ContactPoint,
    Course,
    Erasure,
    ErasureDone,
    HealingWindow,
    Observation,
    Patient,
    Recall,
    Session,
)
from courses.services.erasure import erasures_carry_out
from courses.services.erasure.carrying_out import columns_erased
from courses.services.erasure.personal import EMPTIED, FACTS, OTHERWISE, WORDS, WORDS_OR_CODES
from courses.vocabulary import CourseStatus, RecallReason, RequestStatus
from devices.models import PulseEntry
from devices.selectors.ledger_chain import heads_to_note
from tests.support.api import assert_problem, sign_in
from tests.support.courses import (
    make_appointment,
    make_contact_point,
    make_course,
    make_grade,
    make_observation,
    make_session,
    make_tattoo,
    make_ward,
    make_window,
)
from tests.support.walls import as_web_process

pytestmark = pytest.mark.django_db

GIVEN, FAMILY = "Quillonia", "Zephyrwright"
MAIL, PHONE = "quillonia@invented.example", "+4915112345678"
BORN = date(1987, 6, 14)
NOTE = "Vermilionword"
TELLING = (GIVEN, FAMILY, MAIL, "invented.example", "15112345678", "1987-06-14", NOTE)
WHY = {"reason": "Asked for in writing", "despite_retention": True}


def dump() -> str:
    """Every column of every row of every table, as text."""
    told = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names():
            cursor.execute(f"SELECT string_agg(row::text, E'\\n') FROM \"{table}\" AS row")
            told.append(f"{table}: {cursor.fetchone()[0] or ''}")
    return "\n".join(told)


def found_in(told: str) -> list[tuple[str, str]]:
    lines = told.splitlines()
    return [(word, line[:200]) for word in TELLING for line in lines if word in line]


@pytest.fixture
def ward():
    """A course that has ended, with words about the patient wherever there is room for them."""
    ward = make_ward()
    patient = ward.course.patient
    patient.given_name, patient.family_name, patient.birth_date = GIVEN, FAMILY, BORN
    patient.save()
    make_contact_point(patient, address=MAIL)
    make_contact_point(patient, channel="sms", address=PHONE)
    session = make_session(ward)
    make_window(session)
    make_observation(session, note=NOTE)
    make_grade(ward.part, session.treated_on + timedelta(days=60))
    clinician = ward.caller(Role.TREATING_CLINICIAN)
    changed = clinician.patch(f"/patients/{patient.pk}", {"smoker": True}, version=patient.version)
    assert changed.status_code == 200
    clinician.get(f"/patients/{patient.pk}")
    with rewriting():
        for label, names in WORDS.items():
            model = apps.get_model(label)
            if label != "courses.Patient" and names:
                lookup = subject_lookup(model, "patient")
                theirs = model._base_manager.filter(**{lookup: patient.pk})
                theirs.update(**dict.fromkeys(names, NOTE))
    Course.objects.filter(patient=patient).update(
        status=CourseStatus.REVOKED, end_reason="other", ended_on=session.treated_on
    )
    return ward


@pytest.fixture
def manager(ward):
    return sign_in(Role.CHAIN_MANAGER, chain=ward.chain)


def make_recall(ward):
    return Recall.objects.create(
        course=ward.course,
        window=HealingWindow.objects.get(course=ward.course),
        kind="invitation",
        step="window-closed",
        template="invitation",
        occasion="window:1",
        due_at=timezone.now(),
    )


def erase(ward, manager):
    answer = manager.post(f"/patients/{ward.course.patient_id}/erasure", WHY)
    assert answer.status_code == 202, answer.json()
    assert erasures_carry_out(now=timezone.now()) == 1
    return answer.json()


class TestNothingPersonalIsLeft:
    def test_in_any_column_of_any_table(self, ward, manager):
        before = found_in(dump())
        assert {word for word, _ in before} >= {GIVEN, FAMILY, "1987-06-14", NOTE}
        erase(ward, manager)
        assert found_in(dump()) == []

    @pytest.mark.parametrize(
        ("said", "left"), [(NOTE, "erased"), (RecallReason.BOOKED.value, "booked"), ("", "")]
    )
    def test_nor_why_somebody_withdrew_a_recall(self, ward, manager, said, left):
        """In one column with the codes of the service, which stay."""
        recall = make_recall(ward)
        Recall.objects.filter(pk=recall.pk).update(status=RequestStatus.REVOKED, status_reason=said)
        erase(ward, manager)
        assert found_in(dump()) == []
        recall.refresh_from_db()
        assert recall.status_reason == left
        noted = Change.objects.filter(record="recall", row_id=recall.pk, operation="U")
        told = {
            change.after["status_reason"] for change in noted if "status_reason" in change.after
        }
        assert told == {left} - {""}

    def test_nor_a_way_to_reach_them(self, ward, manager):
        erase(ward, manager)
        points = ContactPoint.objects.filter(patient=ward.course.patient_id)
        assert {(one.address, one.address_index, one.state) for one in points} == {("", "", "off")}
        desk = ward.caller(Role.FRONT_DESK)
        assert desk.post("/contact-point-searches", {"email": MAIL}).json() == {"items": []}

    def test_every_column_of_a_record_was_decided_upon(self):
        """Texts, documents and dates of each table that hangs on a patient, by the models."""
        kinds = (models.TextField, models.CharField, models.JSONField, models.DateField)
        for model in apps.get_app_config("courses").get_models():
            if subject_lookup(model, "patient") is None:
                continue
            label = model._meta.label
            open_columns = {
                field.name
                for field in model._meta.local_concrete_fields
                if isinstance(field, kinds)
                and not isinstance(field, models.DateTimeField)
                and not field.choices
            }
            decided = {
                name
                for table in (WORDS, WORDS_OR_CODES, EMPTIED, OTHERWISE, FACTS)
                for name in table.get(label, ())
            }
            assert open_columns <= decided, label

    def test_the_history_says_what_was_changed_and_not_what_it_held(self, ward, manager):
        erase(ward, manager)
        made = Change.objects.get(
            record="patient", operation="C", patient_id=ward.course.patient_id
        )
        assert (made.after["family_name"], made.after["birth_date"]) == ("erased", "erased")
        assert made.after["skin_type"] == ward.course.patient.skin_type


class TestWhatStays:
    def test_the_record_under_a_pseudonym(self, ward, manager):
        sessions = Session.objects.filter(course=ward.course)
        kept = list(sessions.values("id", "treated_on", "status", "laser_id"))
        erase(ward, manager)
        patient = Patient.objects.get(pk=ward.course.patient_id)
        assert patient.family_name == "Patient " + str(patient.pk)
        assert (patient.given_name, patient.birth_date) == ("erased", date(1987, 1, 1))
        assert list(sessions.values("id", "treated_on", "status", "laser_id")) == kept
        assert kept
        assert Observation.objects.filter(course=ward.course).exists()

    def test_the_ledger_and_its_head(self, ward, manager):
        before = heads_to_note([ward.laser.pk])
        assert before
        entries = PulseEntry.objects.count()
        erase(ward, manager)
        assert heads_to_note([ward.laser.pk]) == before
        call_command("verify_ledger")
        assert PulseEntry.objects.count() == entries

    def test_other_patients(self, ward, manager):
        other = make_ward(clinic=ward.clinic).course.patient
        make_contact_point(other, address="other@example.org")
        erase(ward, manager)
        other.refresh_from_db()
        assert other.family_name != f"Patient {other.pk}"
        assert other.contact_points.get().address == "other@example.org"


class TestAsking:
    def test_says_who_and_why_and_when_it_is_done(self, ward, manager):
        asked = erase(ward, manager)
        assert (asked["reason"], asked["done_at"]) == (WHY["reason"], None)
        assert asked["asked_by"] == manager.staff.pk
        shown = manager.get(f"/patients/{ward.course.patient_id}/erasure").json()
        assert shown["done_at"] is not None
        assert shown["rows"]["patient"] == 1
        assert "local law" in shown["caution"]

    def test_again_changes_nothing(self, ward, manager):
        first = erase(ward, manager)
        again = manager.post(
            f"/patients/{ward.course.patient_id}/erasure", {**WHY, "reason": "Other"}
        )
        assert again.status_code == 202
        assert again.json()["asked_at"] == first["asked_at"]
        assert erasures_carry_out(now=timezone.now()) == 0
        assert (Erasure.objects.count(), ErasureDone.objects.count()) == (1, 1)

    def test_closes_the_record_at_once(self, ward, manager):
        patient = ward.course.patient_id
        assert manager.post(f"/patients/{patient}/erasure", WHY).status_code == 202
        clinician = ward.caller(Role.TREATING_CLINICIAN)
        refused = [
            clinician.patch(f"/patients/{patient}", {"given_name": "Ada"}, version=2),
            clinician.post(
                "/contact-points", {"patient": patient, "channel": "email", "address": MAIL}
            ),
        ]
        point = ContactPoint.objects.filter(patient=patient).first()
        refused.append(
            clinician.patch(f"/contact-points/{point.pk}", {"address": MAIL}, version=point.version)
        )
        tattoo = ward.course.tattoos.get()
        refused.append(
            clinician.patch(f"/tattoos/{tattoo.pk}", {"note": MAIL}, version=tattoo.version)
        )
        for answer in refused:
            assert_problem(answer, 409, "patient_erased")

    def test_is_refused_while_a_course_has_not_ended(self, manager, ward):
        make_course(make_tattoo(ward.course.patient))
        self.assert_refused(ward, manager, WHY, 409, "erasure_courses_open")

    def test_is_refused_while_a_visit_is_booked(self, manager, ward):
        make_appointment(ward, status="booked")
        self.assert_refused(ward, manager, WHY, 409, "erasure_visits_open")

    def test_is_refused_while_the_record_is_kept(self, manager, ward):
        problem = self.assert_refused(
            ward, manager, {"reason": "Asked"}, 422, "erasure_still_retained"
        )
        assert "local law" in problem["detail"]

    def test_needs_no_such_word_after_that_time(self, manager, ward):
        long_ago = datetime(2001, 1, 1, tzinfo=UTC)
        Patient.objects.filter(pk=ward.course.patient_id).update(created_at=long_ago)
        Session.objects.update(treated_on=long_ago.date())
        Appointment.objects.all().delete()
        answer = manager.post(f"/patients/{ward.course.patient_id}/erasure", {"reason": "Over"})
        assert answer.status_code == 202, answer.json()
        assert answer.json()["retained_until"] is None

    def test_needs_a_reason(self, manager, ward):
        self.assert_refused(ward, manager, {"reason": " "}, 400, "invalid")

    def test_is_for_managers_of_the_chain(self, ward):
        patient = ward.course.patient_id
        for caller in (
            ward.caller(Role.TREATING_CLINICIAN),
            sign_in(Role.CHAIN_MANAGER, clinic=ward.clinic),
        ):
            assert_problem(caller.post(f"/patients/{patient}/erasure", WHY), 403)
        other = sign_in(Role.CHAIN_MANAGER)
        assert_problem(other.post(f"/patients/{patient}/erasure", WHY), 404)
        assert not Erasure.objects.exists()

    def assert_refused(self, ward, manager, body, status, code):
        answer = manager.post(f"/patients/{ward.course.patient_id}/erasure", body)
        problem = assert_problem(answer, status, code)
        assert not Erasure.objects.exists()
        assert Patient.objects.get(pk=ward.course.patient_id).erased_at is None
        return problem


class TestByCommand:
    def test_asks_and_carries_out(self, ward, capsys):
        call_command(
            "erase_patient", ward.course.patient_id, reason="In writing", despite_retention=True
        )
        assert "1 carried out" in capsys.readouterr().out
        assert found_in(dump()) == []
        assert Erasure.objects.get().asked_by is None

    def test_is_refused_as_over_the_api(self, ward):
        with pytest.raises(CommandError, match="kept until"):
            call_command("erase_patient", ward.course.patient_id, reason="In writing")
        assert not Erasure.objects.exists()


def said_by_the_web(chain_id, statement):
    """Run a statement as a web process that claims to erase."""
    with transaction.atomic(), as_web_process(), connection.cursor() as cursor:
        cursor.execute("SET LOCAL fallow.erasing = 'on'")
        cursor.execute("SELECT set_config('fallow.chain', %s, true)", [str(chain_id)])
        cursor.execute(statement)


class TestTheWebGainsNothingBySayingThatItErases:
    @pytest.mark.parametrize("table", ["courses_erasure", "clinics_change"])
    def test_over_what_it_may_not_write(self, ward, manager, table):
        erase(ward, manager)
        with pytest.raises(ProgrammingError, match="permission denied"):
            said_by_the_web(ward.chain.pk, f"UPDATE {table} SET reason = 'another'")

    def test_over_a_ledger_that_it_may_add_to(self, ward):
        with pytest.raises(IntegrityError, match="only grows"):
            said_by_the_web(ward.chain.pk, "UPDATE courses_consent SET source = 'another'")


def test_each_column_that_goes_is_one_of_its_table():
    for model, names in columns_erased().items():
        assert names
        assert {model._meta.get_field(name).name for name in names} == set(names)
