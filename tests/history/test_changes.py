"""Every change is noted by the database, with who, through which request and why."""

import json
from hashlib import sha256

import psycopg
import pytest
from django.core.management import call_command
from django.db import IntegrityError, ProgrammingError, connection, transaction

from clinics.models import Change, RecordRead
from clinics.vocabulary import Role
from core import db, history
from core.db import Author, authored
from courses.models import Appointment, Course, Patient
from devices.models import Laser
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.booking import make_running_course, make_stage
from tests.support.factories import make_membership, make_staff
from tests.support.walls import as_web_process

pytestmark = pytest.mark.django_db


def changes(**of):
    return list(Change.objects.filter(**of).order_by("id"))


@pytest.fixture
def stage():
    return make_stage(days=1)


def test_each_watched_table_has_its_triggers():
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT tgrelid::regclass::text, count(*) FROM pg_trigger"
            " WHERE tgname LIKE 'history_%' GROUP BY 1"
        )
        found = dict(cursor.fetchall())
    assert found == {model._meta.db_table: 3 for model in history.watched_models()}


def test_watching_again_changes_nothing():
    assert history.watch() == []


def test_a_function_that_was_changed_is_mended():
    with connection.cursor() as cursor:
        cursor.execute("COMMENT ON FUNCTION note_devices_laser() IS 'history other'")
    assert history.watch() == ["devices_laser"]


def test_a_new_row_is_noted_whole(stage):
    [made] = changes(record="patient", row_id=stage.course.patient_id)
    assert (made.operation, made.before) == ("C", None)
    assert made.after["family_name"] == stage.course.patient.family_name
    assert made.chain_id == stage.chain.pk


def test_a_bulk_update_notes_each_row(stage):
    other = make_running_course(stage.clinic).patient
    Patient.objects.filter(pk__in=[stage.course.patient_id, other.pk]).update(smoker=True)
    noted = changes(record="patient", operation="U")
    assert {change.row_id for change in noted} == {stage.course.patient_id, other.pk}
    assert all(change.before == {"smoker": False} for change in noted)
    assert all(change.after == {"smoker": True} for change in noted)


def test_raw_sql_is_noted(stage):
    with connection.cursor() as cursor:
        cursor.execute("UPDATE devices_laser SET label = 'By hand' WHERE id = %s", [stage.laser.pk])
    [change] = changes(record="laser", operation="U")
    assert (change.row_id, change.laser_id) == (stage.laser.pk, stage.laser.pk)
    assert (change.before["label"], change.after["label"]) == ("", "By hand")
    assert change.staff_id is None
    assert change.database_role == connection.settings_dict["USER"]


def test_a_removed_row_is_noted_as_it_was(stage):
    membership = make_membership(stage.operator, Role.LASER_OPERATOR)
    key = membership.pk
    membership.delete()
    [change] = changes(record="membership", operation="D")
    assert (change.row_id, change.after) == (key, None)
    assert change.before["role"] == Role.LASER_OPERATOR


def test_nothing_is_noted_of_a_touch(stage):
    stage.laser.touch()
    assert changes(record="laser", operation="U") == []


def test_what_is_rolled_back_was_never_changed(stage):
    class Away(Exception):
        pass

    def change_and_fail():
        with transaction.atomic():
            Laser.objects.filter(pk=stage.laser.pk).update(label="No")
            raise Away

    with pytest.raises(Away):
        change_and_fail()
    assert changes(record="laser", operation="U") == []


def test_secrets_are_not_kept():
    staff = make_staff(user=True)
    staff.user.set_password("another-9-secret")
    staff.user.save()
    [change] = changes(record="user", operation="U")
    assert change.after == {"password": "hidden"}
    assert all("password" not in (change.after or {}) for change in changes(operation="C"))


def test_who_and_why_are_noted(stage):
    reason = "it's 'quoted'; DROP TABLE x --"
    with authored(Author(staff_id=stage.operator.pk, reason=reason)):
        db._set_local(*db._author_settings())
        Laser.objects.filter(pk=stage.laser.pk).update(label="Told")
    [noted] = changes(record="laser", operation="U")
    assert (noted.staff_id, noted.reason) == (stage.operator.pk, reason)


class TestThroughTheApi:
    def test_a_change_names_its_request_and_reason(self, stage):
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        patient = stage.course.patient
        answer = desk.client.patch(
            f"/api/v1/patients/{patient.pk}",
            {"language": "de"},
            format="json",
            headers={
                "If-Match": f'"{patient.version}"',
                "X-Request-ID": "change-1",
                "X-Reason": "asked at the desk",
            },
        )
        assert answer.status_code == 200, answer.json()
        [change] = changes(record="patient", operation="U")
        assert (change.request_id, change.reason) == ("change-1", "asked at the desk")
        assert change.staff_id == desk.staff.pk
        assert change.database_role == "fallow_app"
        assert change.after == {"language": "de"}

    def test_the_reason_of_a_command_is_taken(self, stage):
        clinician = sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)
        path = f"/courses/{stage.course.pk}"
        answer = clinician.client.post(
            f"/api/v1{path}/hold",
            {"reason": "away for a year"},
            format="json",
            headers={"If-Match": clinician.etag(path)},
        )
        assert answer.status_code == 200, answer.json()
        assert {change.reason for change in changes(record="course", operation="U")} == {
            "away for a year"
        }


class TestTimelines:
    def test_a_patients_timeline_holds_what_hangs_on_the_patient(self, stage):
        clinician = sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)
        make_running_course(stage.clinic)
        items = clinician.get(f"/patients/{stage.course.patient_id}/history").json()["items"]
        assert {item["record"] for item in items} == {
            "patient",
            "tattoo",
            "tattoopart",
            "course",
            "course_tattoos",
        }
        assert {item["patient"] for item in items} == {stage.course.patient_id}

    def test_it_costs_the_same_for_more_rows(self, stage):
        clinician = sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)
        path = f"/patients/{stage.course.patient_id}/history"
        few = queries_of(clinician, path, limit=2)
        for label in range(12):
            Course.objects.filter(pk=stage.course.pk).update(status_reason=str(label))
        assert queries_of(clinician, path) == few

    def test_the_front_desk_reads_no_patients_history(self, stage):
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        assert_problem(desk.get(f"/patients/{stage.course.patient_id}/history"), 403)

    def test_a_lasers_timeline_tells_of_no_patient(self, stage):
        officer = sign_in(Role.LASER_SAFETY_OFFICER, clinic=stage.clinic)
        _appointment(stage)
        items = officer.get(f"/lasers/{stage.laser.pk}/history").json()["items"]
        assert {item["record"] for item in items} == {"laser", "fitting"}

    def test_the_front_desk_sees_bookings_only(self, stage):
        appointment = _appointment(stage)
        _session(appointment)
        path = f"/appointments/{appointment.pk}/history"
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        operator = sign_in(Role.LASER_OPERATOR, clinic=stage.clinic)
        assert {one["record"] for one in desk.get(path).json()["items"]} == {"appointment"}
        assert {one["record"] for one in operator.get(path).json()["items"]} == {
            "appointment",
            "session",
        }

    def test_the_front_desk_sees_no_medical_detail_of_a_booking(self, stage):
        appointment = _appointment(stage)
        Appointment.objects.update(override_reason="old burn beside it")
        path = f"/appointments/{appointment.pk}/history"
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        told = desk.get(path)
        assert "old burn" not in told.content.decode()
        assert [one["after"]["override_reason"] for one in told.json()["items"]] == [None, None]
        assert told.json()["items"][1]["after"]["status"] == "booked"
        clinician = sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)
        assert "old burn" in clinician.get(path).content.decode()

    def test_the_front_desk_sees_why_only_where_the_booking_says_it(self, stage):
        """The reason of a request is free text: a clinician may say there what is medical."""
        appointment = _appointment(stage)
        path = f"/appointments/{appointment.pk}"
        clinician = sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        sent = {"If-Match": "*", "X-Reason": "an old burn beside it"}
        address, why = f"/api/v1{path}/cancel", {"reason": "ill"}
        answer = clinician.client.post(address, why, format="json", headers=sent)
        assert answer.status_code == 200, answer.json()
        assert "old burn" in clinician.get(f"{path}/history").content.decode()
        assert "old burn" not in desk.get(f"{path}/history").content.decode()

    def test_another_chain_sees_nothing(self, stage):
        other = sign_in(Role.CHAIN_MANAGER)
        assert_problem(other.get(f"/patients/{stage.course.patient_id}/history"), 404)
        assert_problem(other.get(f"/lasers/{stage.laser.pk}/history"), 404)
        records = {one["row"] for one in other.get("/history", record="laser").json()["items"]}
        assert records == set()

    def test_a_manager_lists_access(self, stage):
        manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
        items = manager.get("/history", record="membership").json()["items"]
        assert items[0]["after"]["role"] == Role.CHAIN_MANAGER


@pytest.mark.parametrize(
    "statement",
    [
        "INSERT INTO clinics_change SELECT * FROM clinics_change",
        "UPDATE clinics_change SET reason = 'other'",
        "DELETE FROM clinics_change",
        "TRUNCATE clinics_change",
        "UPDATE clinics_recordread SET staff_id = 1",
        "DELETE FROM clinics_recordread",
        "ALTER TABLE devices_laser DISABLE TRIGGER USER",
        "DROP TRIGGER history_update ON devices_laser",
        "DROP FUNCTION note_devices_laser() CASCADE",
    ],
)
def test_a_web_process_cannot_change_the_history(stage, statement):
    with as_web_process(), pytest.raises(ProgrammingError) as refused, transaction.atomic():
        _erasing(statement, chain_id=stage.chain.pk)
    assert isinstance(refused.value.__cause__, psycopg.errors.InsufficientPrivilege)


def _erasing(statement, *, chain_id):
    with connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL fallow.chain = '{chain_id}'; SET LOCAL fallow.erasing = 'on'")
        cursor.execute(statement)


def test_the_owner_cannot_change_it_by_mistake(stage):
    with pytest.raises(IntegrityError) as refused, transaction.atomic():
        Change.objects.update(reason="other")
    assert isinstance(refused.value.__cause__, psycopg.errors.RestrictViolation)


class TestExport:
    def test_a_period_with_its_digest(self, stage):
        manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
        make_stage(days=1)
        answer = manager.get("/history-export", start="2020-01-01T00:00Z", end="2100-01-01T00:00Z")
        assert answer.status_code == 200
        *lines, last = b"".join(answer.streaming_content).splitlines(keepends=True)
        end = json.loads(last)
        assert (end["kind"], end["lines"]) == ("end", len(lines))
        assert end["sha256"] == sha256(b"".join(lines)).hexdigest()
        assert {json.loads(line)["chain_id"] for line in lines} == {stage.chain.pk}

    def test_the_records_that_it_tells_of_are_noted_as_read(self, stage):
        manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
        period = {"start": "2020-01-01T00:00Z", "end": "2100-01-01T00:00Z"}
        answer = manager.get("/history-export", **period)
        told = [json.loads(line) for line in b"".join(answer.streaming_content).splitlines()]
        noted = RecordRead.objects.filter(operation="history-export")
        assert stage.course.patient_id in {line.get("patient_id") for line in told}
        assert sorted(noted.values_list("patient_id", flat=True)) == sorted(
            {line.get("patient_id") for line in told} - {None}
        )
        assert set(noted.values_list("staff_id", "request_id")) == {
            (manager.staff.pk, answer.headers["X-Request-Id"])
        }
        assert "history-export" not in {line.get("operation") for line in told}

    def test_it_needs_its_period(self, stage):
        manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
        assert_problem(manager.get("/history-export"), 400, "parameter_invalid")

    def test_the_command_writes_the_same_lines(self, stage, capsys):
        call_command(
            "export_history",
            chain=stage.chain.pk,
            start="2020-01-01T00:00+00:00",
            end="2100-01-01T00:00+00:00",
        )
        *lines, last = capsys.readouterr().out.splitlines()
        assert (
            json.loads(last)["lines"]
            == len(lines)
            == Change.objects.filter(chain=stage.chain).count()
        )


class TestReads:
    def reads(self, caller, **of):
        manager = sign_in(Role.CHAIN_MANAGER, chain=caller.staff.chain)
        return manager.get("/record-reads", **of).json()["items"]

    def test_a_record_that_is_shown_is_noted(self, stage):
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        desk.get(f"/patients/{stage.course.patient_id}")
        [read] = self.reads(desk, patient=stage.course.patient_id)
        assert (read["staff_member"], read["operation"]) == (desk.staff.pk, "patient-detail")
        assert read["request_id"]

    def test_a_list_notes_each_patient_of_its_page(self, stage):
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        make_running_course(stage.clinic)
        make_running_course(stage.clinic)
        page = desk.get("/courses", limit=2).json()["items"]
        assert {read["patient"] for read in self.reads(desk)} == {row["patient"] for row in page}

    def test_a_computed_answer_about_a_course_counts(self, stage):
        clinician = sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)
        assert clinician.get(f"/courses/{stage.course.pk}/clearance").status_code == 200
        assert [read["operation"] for read in self.reads(clinician)] == ["course-clearance"]

    def test_a_change_that_changes_nothing_shows_the_record_all_the_same(self, stage):
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        patient = stage.course.patient
        desk.patch(f"/patients/{patient.pk}", {"language": "en"}, version=patient.version)
        assert [read["patient"] for read in self.reads(desk)] == [patient.pk]

    def test_changes_of_records_are_records(self, stage):
        manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
        assert manager.get("/history", record="patient").json()["items"]
        [read] = self.reads(manager, patient=stage.course.patient_id)
        assert read["operation"] == "history-list"

    def test_a_refusal_shows_nothing(self, stage):
        other = sign_in(Role.FRONT_DESK)
        assert other.get(f"/patients/{stage.course.patient_id}").status_code == 404
        assert self.reads(other) == []

    def test_what_is_nobodys_record_is_not_noted(self, stage):
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        desk.get("/lasers")
        desk.get(f"/lasers/{stage.laser.pk}")
        assert self.reads(desk) == []

    def test_it_is_one_query_for_any_page(self, stage):
        desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
        few = queries_of(desk, "/courses")
        for _ in range(10):
            make_running_course(stage.clinic)
        assert queries_of(desk, "/courses") == few


def _appointment(stage):
    visit = stage.visit()
    return Appointment.objects.create(
        course=stage.course,
        clinic=stage.clinic,
        room=stage.room,
        operator=stage.operator,
        laser=stage.laser,
        starts_at=visit.starts_at,
        ends_at=visit.starts_at.replace(hour=11),
        status="booked",
    )


def _session(appointment):
    return appointment.course.sessions.create(
        appointment=appointment,
        clinic=appointment.clinic,
        room=appointment.room,
        laser=appointment.laser,
        operator=appointment.operator,
        started_at=appointment.starts_at,
        treated_on=appointment.starts_at.date(),
    )
