"""Patients at the desk: found, added, changed; and how they may be reached."""

import pytest

from clinics.models import Resource
from clinics.vocabulary import Role
from courses.models import ContactPoint, Patient
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.courses import make_contact_point, make_patient
from tests.support.factories import make_clinic

pytestmark = pytest.mark.django_db


def patient_body(ward, **changes) -> dict:
    return {
        "home_clinic": ward.clinic.pk,
        "given_name": "Mira",
        "family_name": "Invented",
        "birth_date": "1990-05-17",
        "skin_type": 3,
        **changes,
    }


def test_a_new_patient_can_be_busy(ward, desk):
    answer = desk.post("/patients", patient_body(ward))
    assert answer.status_code == 201, answer.json()
    patient = Patient.objects.get(pk=answer.json()["id"])
    assert (patient.chain, patient.resource.kind) == (ward.chain, "patient")
    assert answer.headers["Location"].endswith(f"/patients/{patient.pk}")


@pytest.mark.parametrize(
    ("changes", "pointer", "code"),
    [
        ({"birth_date": "2026-03-04"}, "/birth_date", "out_of_range"),
        ({"birth_date": "1880-01-01"}, "/birth_date", "out_of_range"),
        ({"skin_type": 7}, "/skin_type", "invalid_choice"),
        ({"given_name": " "}, "/given_name", "blank"),
        ({"language": "English"}, "/language", "invalid"),
    ],
)
def test_what_cannot_be_is_named_and_not_written(ward, desk, changes, pointer, code):
    before = Patient.objects.count(), Resource.objects.count()
    problem = assert_problem(desk.post("/patients", patient_body(ward, **changes)), 400)
    assert pointers(problem)[pointer] == code
    assert (Patient.objects.count(), Resource.objects.count()) == before


def test_a_clinic_of_another_chain_is_not_known(ward, desk):
    body = patient_body(ward, home_clinic=make_clinic().pk)
    problem = assert_problem(desk.post("/patients", body), 400)
    assert pointers(problem) == {"/home_clinic": "does_not_exist"}


def test_pages_by_name_leave_nobody_out(ward, desk):
    for name in ("B", "A", "A", "C"):
        make_patient(ward.clinic, family_name=name, given_name="Same")
    page = desk.get("/patients", limit=2).json()
    names = [one["family_name"] for one in page["items"]]
    rest = desk.client.get(page["next"]).json()
    names += [one["family_name"] for one in rest["items"]]
    assert names[:4] == ["A", "A", "B", "C"]


@pytest.mark.parametrize("body", [0, "a text", [None], True])
def test_a_change_that_is_no_object_is_refused(ward, desk, body):
    path = f"/patients/{ward.course.patient_id}"
    assert_problem(desk.patch(path, body, version="*"), 400, "invalid")


def test_changes_need_the_version(ward, desk):
    path = f"/patients/{ward.course.patient_id}"
    assert_problem(desk.patch(path, {"family_name": "Newly"}), 428)
    assert_problem(desk.patch(path, {"family_name": "Newly"}, version=99), 412)
    answer = desk.patch(path, {"family_name": "Newly"}, version=desk.etag(path))
    assert (answer.status_code, answer.json()["family_name"]) == (200, "Newly")


@pytest.mark.parametrize(
    ("role", "shown"),
    [
        (Role.FRONT_DESK, True),
        (Role.TREATING_CLINICIAN, True),
        (Role.INTEGRATOR, True),
        (Role.LASER_OPERATOR, False),
        (Role.CHAIN_MANAGER, False),
    ],
)
def test_how_to_reach_patients_is_shown_to_those_who_do(ward, role, shown):
    point = make_contact_point(ward.course.patient)
    caller = ward.caller(role)
    seen = caller.get(f"/patients/{ward.course.patient_id}").json()["contact_points"]
    listed = caller.get("/contact-points", patient=ward.course.patient_id)
    if shown:
        assert [one["address"] for one in seen] == [point.address]
        assert len(listed.json()["items"]) == 1
    else:
        assert seen is None
        assert_problem(listed, 403)


@pytest.mark.parametrize("role", [Role.LASER_OPERATOR, Role.CHAIN_MANAGER])
def test_others_add_nobody(ward, role):
    assert_problem(ward.caller(role).post("/patients", patient_body(ward)), 403)


def test_patients_of_another_chain_do_not_exist(ward):
    point = make_contact_point(ward.course.patient)
    stranger = sign_in(Role.FRONT_DESK)
    path = f"/patients/{ward.course.patient_id}"
    assert_problem(stranger.get(path), 404)
    assert_problem(
        stranger.patch(path, {"family_name": "Newly"}, version="*"), 404, "patient_unknown"
    )
    opt_out = stranger.post(f"/contact-points/{point.pk}/opt-out")
    assert_problem(opt_out, 404, "contact_point_unknown")
    point.refresh_from_db()
    assert point.opted_out == []


def test_lists_cost_the_same_for_2_rows_as_for_12(ward, desk):
    for _ in range(2):
        make_contact_point(make_patient(ward.clinic))
    few = queries_of(desk, "/patients"), queries_of(desk, "/contact-points")
    for _ in range(10):
        make_contact_point(make_patient(ward.clinic))
    assert (queries_of(desk, "/patients"), queries_of(desk, "/contact-points")) == few


class TestContactPoints:
    def add(self, ward, desk, **body):
        return desk.post(
            "/contact-points",
            {
                "patient": ward.course.patient_id,
                "consent": {"purposes": ["recall", "reminder"], "source": "form at the desk"},
                **body,
            },
        )

    @pytest.mark.parametrize(
        ("channel", "given", "stored"),
        [
            ("email", "Mira@Example.ORG", "Mira@example.org"),
            ("sms", "030 1234567", "+49301234567"),
            ("phone", "+44 20 7946 0958", "+442079460958"),
        ],
    )
    def test_addresses_are_brought_into_one_form(self, ward, desk, channel, given, stored):
        answer = self.add(ward, desk, channel=channel, address=given)
        assert (answer.status_code, answer.json()["address"]) == (201, stored), answer.json()

    @pytest.mark.parametrize(
        ("channel", "given", "code"),
        [
            ("email", "mira(at)example.org", "email_malformed"),
            ("sms", "12", "phone_malformed"),
            ("phone", "call me", "phone_malformed"),
            ("phone", "+999 123456789", "phone_malformed"),
        ],
    )
    def test_what_is_no_address_is_refused(self, ward, desk, channel, given, code):
        problem = assert_problem(self.add(ward, desk, channel=channel, address=given), 400)
        assert pointers(problem) == {"/address": code}
        assert not ContactPoint.objects.exists()

    def test_consent_has_purposes_time_and_source(self, ward, desk):
        shown = self.add(ward, desk, channel="email", address="a@example.org").json()
        assert (shown["allowed"], shown["opted_out"]) == (["recall", "reminder"], [])
        proof = desk.get("/consents", contact_point=shown["id"]).json()["items"]
        assert [(one["purpose"], one["source"], one["decided_at"]) for one in proof] == [
            (purpose, "form at the desk", "2026-03-02T08:00:00Z")
            for purpose in ("recall", "reminder")
        ]
        future = {
            "purposes": ["recall"],
            "source": "form at the desk",
            "decided_at": "2026-03-05T08:00:00Z",
        }
        answer = self.add(ward, desk, channel="email", address="b@example.org", consent=future)
        assert pointers(assert_problem(answer, 400)) == {"/consent/decided_at": "in_the_future"}

    def test_without_consent_nothing_is_allowed(self, ward, desk):
        body = {"patient": ward.course.patient_id, "channel": "email", "address": "a@example.org"}
        assert desk.post("/contact-points", body).json()["allowed"] == []

    def test_the_same_twice_is_in_conflict(self, ward, desk):
        self.add(ward, desk, channel="email", address="a@example.org")
        again = self.add(ward, desk, channel="email", address="a@EXAMPLE.org")
        assert_problem(again, 409, "contact_point_taken")

    def test_opting_out_counts_from_the_first_time(self, ward, desk):
        point = make_contact_point(ward.course.patient)
        path = f"/contact-points/{point.pk}"
        first = desk.post(f"{path}/opt-out").json()
        everything = ["aftercare", "recall", "reminder"]
        assert (first["allowed"], first["opted_out"]) == ([], everything)
        assert desk.post(f"{path}/opt-out").json()["version"] == first["version"]
        assert point.consents.filter(decision="withdrawn").count() == 3

    def test_a_new_rank_is_no_new_consent(self, ward, desk):
        point = make_contact_point(ward.course.patient)
        path = f"/contact-points/{point.pk}"
        desk.post(f"{path}/opt-out")
        shown = desk.patch(path, {"rank": 2}, version=desk.etag(path)).json()
        assert (shown["rank"], shown["allowed"]) == (2, [])

    def test_quiet_hours_have_two_ends(self, ward, desk):
        answer = self.add(ward, desk, channel="email", address="a@example.org", quiet_from="21:00")
        assert pointers(assert_problem(answer, 400)) == {"/quiet_until": "both_or_none"}

    def test_quiet_hours_are_wall_time_to_the_minute(self, ward, desk):
        body = {"channel": "email", "address": "a@example.org"}
        shown = self.add(ward, desk, **body, quiet_from="21:30", quiet_until="07:00:00").json()
        assert (shown["quiet_from"], shown["quiet_until"]) == ("21:30", "07:00")

    @pytest.mark.parametrize("told", ["21:00+02:00", "21:00Z", "21:00:00.5", "9 pm", "24:00", 21])
    def test_quiet_hours_with_an_offset_are_refused(self, ward, desk, told):
        hours = {"quiet_from": told, "quiet_until": "07:00"}
        answer = self.add(ward, desk, channel="email", address="a@example.org", **hours)
        assert pointers(assert_problem(answer, 400)) == {"/quiet_from": "invalid"}
        assert not ContactPoint.objects.exists()

    def test_an_unknown_zone_is_named(self, ward, desk):
        answer = self.add(
            ward, desk, channel="email", address="a@example.org", time_zone="Mars/Crater"
        )
        assert "/time_zone" in pointers(assert_problem(answer, 400))
