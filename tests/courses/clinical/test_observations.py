"""What the skin shows, and what is known of patient and tattoo: the windows follow at once."""

from datetime import date, timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import HealingWindow
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.courses import NOW, make_observation, make_session, make_window, observe

pytestmark = pytest.mark.django_db

TREATED = NOW - timedelta(days=20)


@pytest.fixture
def window(ward) -> HealingWindow:
    return make_window(make_session(ward, TREATED))


class TestObservations:
    def test_a_crust_holds_until_it_is_seen_healed(self, ward, operator, window):
        seen = observe(operator, ward, "crust", on=date(2026, 2, 20))
        assert seen["healing_window"]["state"] == "held"
        answer = operator.post(f"/observations/{seen['id']}/resolve", {"resolved_on": "2026-02-25"})
        shown = answer.json()
        assert (shown["resolved_on"], shown["status"]) == ("2026-02-25", "final")
        # Gone on day 15: slow healing, 84 days, is more than 28 days after healing.
        assert shown["healing_window"] == {
            "id": window.pk,
            "state": "open",
            "earliest_on": "2026-05-05",
            "advised_on": "2026-05-05",
        }
        causes = list(window.versions.values_list("cause", flat=True))
        assert causes == [
            f"session:{window.session_id}",
            f"observation:{seen['id']}",
            f"observation:{seen['id']}",
        ]

    def test_what_changes_nothing_writes_no_version(self, ward, operator, window):
        seen = observe(operator, ward, "erythema", on=date(2026, 2, 12))
        before = window.versions.count()
        operator.post(f"/observations/{seen['id']}/resolve", {"resolved_on": "2026-02-14"})
        operator.post(f"/observations/{seen['id']}/resolve", {"resolved_on": "2026-02-14"})
        assert window.versions.count() == before + 1

    def test_belongs_to_the_last_session_up_to_that_day(self, ward, operator):
        first = make_session(ward, NOW - timedelta(days=90))
        second = make_session(ward, NOW - timedelta(days=30))
        early = observe(operator, ward, "tan", on=date(2025, 12, 20))
        late = observe(operator, ward, "tan", on=date(2026, 2, 20))
        before = observe(operator, ward, "tan", on=date(2025, 11, 20))
        assert (early["session"], late["session"]) == (first.pk, second.pk)
        assert (before["session"], before["healing_window"]) == (None, None)

    def test_dates_out_of_order_are_refused_and_nothing_is_written(self, ward, operator, window):
        body = {
            "course": ward.course.pk,
            "kind": "blister",
            "observed_on": "2026-02-20",
            "began_on": "2026-02-21",
        }
        problem = assert_problem(operator.post("/observations", body), 400, "invalid")
        assert pointers(problem) == {"/began_on": "began-after-observed"}
        body = {**body, "began_on": None, "observed_on": "2026-03-04"}
        problem = assert_problem(operator.post("/observations", body), 400, "invalid")
        assert pointers(problem) == {"/observed_on": "in_the_future"}
        assert not ward.course.observations.exists()
        assert window.versions.count() == 1

    def test_before_its_session_it_cannot_be_seen(self, ward, operator, window):
        body = {
            "course": ward.course.pk,
            "session": window.session_id,
            "kind": "blister",
            "observed_on": "2026-02-01",
        }
        problem = assert_problem(operator.post("/observations", body), 400, "invalid")
        assert pointers(problem) == {"/observed_on": "observed-before-treatment"}

    def test_entered_in_error_by_a_clinician_brings_the_date_back(
        self, ward, operator, clinician, window
    ):
        seen = observe(operator, ward, "hyperpigmentation", on=date(2026, 2, 20))
        assert seen["healing_window"]["earliest_on"] == "2026-05-05"
        path = f"/observations/{seen['id']}/mark-entered-in-error"
        assert_problem(operator.post(path, {"reason": "Another patient"}), 403)
        shown = clinician.post(path, {"reason": "Another patient"}).json()
        assert (shown["status"], shown["status_reason"]) == ("entered-in-error", "Another patient")
        assert shown["healing_window"]["earliest_on"] == "2026-03-24"
        assert_problem(clinician.post(path, {"reason": "Again"}), 409, "entered_in_error")

    def test_only_a_clinician_sees_skin_flat_that_is_held_for_it(self, ward, operator, clinician):
        session = make_session(ward, NOW - timedelta(days=50))
        make_window(session)
        held = observe(operator, ward, "raised", on=date(2026, 3, 1))
        assert held["healing_window"]["state"] == "held"
        body = {"course": ward.course.pk, "kind": "flat", "observed_on": "2026-03-02"}
        assert_problem(operator.post("/observations", body), 403, "not_allowed")
        shown = clinician.post("/observations", body).json()
        assert shown["healing_window"]["state"] == "open"
        assert shown["healing_window"]["earliest_on"] == "2026-03-02"

    def test_that_it_has_gone_is_not_the_front_desk_s_to_say(self, ward, desk, operator, window):
        """The window may close on it."""
        seen = make_observation(window.session)
        step = f"/observations/{seen.pk}/resolve"
        body = {"resolved_on": "2026-03-01"}
        assert_problem(desk.post(step, body), 403, "not_allowed")
        assert operator.post(step, body).json()["resolved_on"] == "2026-03-01"

    def test_the_desk_of_another_chain_sees_nothing(self, ward, window):
        observation = make_observation(window.session)
        stranger = sign_in(Role.TREATING_CLINICIAN)
        assert_problem(stranger.get(f"/observations/{observation.pk}"), 404)
        for step, body in (
            ("resolve", {"resolved_on": "2026-03-01"}),
            ("mark-entered-in-error", {"reason": "x"}),
        ):
            answer = stranger.post(f"/observations/{observation.pk}/{step}", body)
            assert_problem(answer, 404, "observation_unknown")


class TestPatientAndTattoo:
    def test_gold_told_later_closes_for_ever(self, ward, desk, clinician, window):
        path = f"/patients/{ward.course.patient_id}"
        answer = clinician.patch(path, {"gold_therapy_ever": True}, version=clinician.etag(path))
        assert answer.status_code == 200, answer.json()
        window.refresh_from_db()
        assert (window.state, window.earliest_on) == ("never", None)
        back = desk.patch(path, {"gold_therapy_ever": False}, version=desk.etag(path))
        assert_problem(back, 403, "not_allowed")
        clinician.patch(path, {"gold_therapy_ever": False}, version=clinician.etag(path))
        window.refresh_from_db()
        assert window.state == "open"

    def test_a_correction_only_counts_where_it_is_stricter(self, ward, clinician, window):
        path = f"/patients/{ward.course.patient_id}"
        clinician.patch(path, {"smoker": True}, version=clinician.etag(path))
        window.refresh_from_db()
        assert (window.earliest_on - window.opened_on).days == 56
        clinician.patch(path, {"smoker": False}, version=clinician.etag(path))
        window.refresh_from_db()
        assert (window.earliest_on - window.opened_on).days == 56

    def test_a_larger_area_lengthens(self, ward, clinician, window):
        path = f"/tattoos/{ward.part.tattoo_id}"
        clinician.patch(path, {"area_cm2": 31}, version=clinician.etag(path))
        window.refresh_from_db()
        assert (window.earliest_on - window.opened_on).days == 56
