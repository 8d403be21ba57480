"""Healing windows: computed with the session, changed by what is seen, decided on by clinicians."""

from datetime import date, timedelta

import pytest

from clinics.vocabulary import Role
from core.db import unit
from courses.models import HealingDecision, HealingWindow, HealingWindowVersion
from courses.policy import FIELDS
from courses.selectors.healing import earliest_for_course
from courses.services.healing import window_close_if_due
from courses.vocabulary import InkColour, SkinResponse, Technique
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.courses import (
    NOW,
    make_appointment,
    make_course,
    make_observation,
    make_patient,
    make_session,
    make_tattoo,
    make_ward,
    make_window,
    observe,
)
from tests.support.factories import make_clinic

pytestmark = pytest.mark.django_db

TREATED = NOW - timedelta(days=20)
BLACK_AND_RED = (
    (InkColour.BLACK, Technique.OUTLINE, 0.6),
    (InkColour.RED, Technique.SOLID_FILL, 0.4),
)


@pytest.fixture
def window(ward) -> HealingWindow:
    return make_window(make_session(ward, TREATED))


def release(clinician, window, **body):
    path = f"/healing-windows/{window.pk}"
    return clinician.client.post(
        f"/api/v1{path}/release",
        {"reason": "Seen, harmless", **body},
        format="json",
        headers={"If-Match": clinician.etag(path)},
    )


def shorten(clinician, window, on: date, **body):
    path = f"/healing-windows/{window.pk}"
    return clinician.client.post(
        f"/api/v1{path}/shorten",
        {"earliest_on": on.isoformat(), "reason": "Leaves the country", **body},
        format="json",
        headers={"If-Match": clinician.etag(path)},
    )


class TestOpening:
    def test_base_of_42_days_and_day_57_advised(self, window):
        assert (window.earliest_on, window.advised_on) == (
            window.opened_on + timedelta(days=42),
            window.opened_on + timedelta(days=57),
        )

    def test_the_strictest_of_what_is_in_the_records(self):
        smoker = make_ward(patient={"smoker": True}, tattoo={"site": "foot"})
        window = make_window(make_session(smoker, TREATED))
        assert (window.earliest_on - window.opened_on).days == 56

    @pytest.mark.parametrize(("same_part", "passes"), [(False, 1), (True, 2)])
    def test_passes_count_where_they_meet_on_a_part(self, same_part, passes):
        ward = make_ward(parts=BLACK_AND_RED)
        black, red = ward.parts
        caller = ward.caller(Role.LASER_OPERATOR)
        both = [
            ward.pass_body(NOW - timedelta(minutes=30), parts=[black.pk]),
            ward.pass_body(
                NOW - timedelta(minutes=10),
                parts=[black.pk if same_part else red.pk],
                line=ward.line(532).pk,
            ),
        ]
        body = ward.session_body(passes=both, ended_at=NOW.isoformat())
        answer = caller.post("/sessions", body, key="s1")
        assert answer.status_code == 201, answer.json()
        window = HealingWindow.objects.get(pk=answer.json()["healing_window"])
        assert window.versions.get().facts["passes"] == passes
        assert (window.earliest_on - window.opened_on).days == (56 if same_part else 42)

    def test_the_chains_own_longer_rule_holds(self, ward):
        ward.chain.healing_policy = {"healing.base": {"days": 49}}
        ward.chain.save()
        session = make_session(ward, TREATED)
        session.refresh_from_db()
        window = make_window(session)
        assert (window.earliest_on - window.opened_on).days == 49

    def test_closes_at_the_clinics_midnight_also_when_the_clocks_change(self):
        berlin = make_ward(clinic=make_clinic(time_zone="Europe/Berlin"))
        session = make_session(berlin, NOW - timedelta(days=6))  # 24 February; 7 April is summer
        window = make_window(session)
        assert window.earliest_on == date(2026, 4, 7)
        assert window.closes_at.isoformat() == "2026-04-06T22:00:00+00:00"


class TestDecisions:
    def test_release_lifts_the_hold_and_is_kept(self, ward, operator, clinician, window):
        observe(operator, ward, "scar", on=date(2026, 2, 20))
        answer = release(clinician, window, rule_ids=["healing.scar"])
        assert answer.status_code == 200, answer.json()
        assert (answer.json()["state"], answer.json()["earliest_on"]) == ("open", "2026-03-24")
        decision = HealingDecision.objects.get()
        assert (decision.kind, decision.decided_by, decision.reason, decision.window_number) == (
            "release",
            clinician.staff,
            "Seen, harmless",
            2,
        )

    def test_a_finding_after_the_release_holds_again(self, ward, operator, clinician, window):
        observe(operator, ward, "infection_sign", on=date(2026, 2, 20))
        release(clinician, window)
        again = observe(operator, ward, "infection_sign", on=date(2026, 3, 2))
        assert again["healing_window"]["state"] == "held"

    def test_nothing_held_nothing_released(self, clinician, window):
        assert_problem(release(clinician, window), 422, "nothing_held")
        assert not HealingDecision.objects.exists()
        assert window.versions.count() == 1

    def test_release_needs_the_version_that_was_seen(self, ward, operator, clinician, window):
        observe(operator, ward, "scar", on=date(2026, 2, 20))
        path = f"/healing-windows/{window.pk}/release"
        assert_problem(clinician.post(path, {"reason": "x"}), 428)
        stale = clinician.client.post(
            f"/api/v1{path}", {"reason": "x"}, format="json", headers={"If-Match": '"1"'}
        )
        assert_problem(stale, 412, "stale")
        assert not HealingDecision.objects.exists()

    def test_shortening_is_marked_for_ever(self, clinician, window):
        answer = shorten(clinician, window, date(2026, 3, 10))
        shown = answer.json()
        assert answer.status_code == 200, shown
        assert (shown["earliest_on"], shown["advised_on"]) == ("2026-03-10", "2026-04-08")
        assert shown["shortened"] is True
        told = clinician.get(f"/healing-windows/{window.pk}/explain").json()
        name = clinician.staff.name
        assert told["summary"].endswith(f"Shortened by {name}: Leaves the country")
        assert [one["kind"] for one in told["decisions"]] == ["shorten"]

    def test_what_the_clinician_did_not_see_binds_again(self, ward, operator, clinician, window):
        shorten(clinician, window, date(2026, 3, 10))
        seen = observe(operator, ward, "hyperpigmentation", on=date(2026, 3, 1))
        assert seen["healing_window"]["earliest_on"] == "2026-05-05"
        window.refresh_from_db()
        assert window.shortened

    @pytest.mark.parametrize(
        ("on", "rule"),
        [
            (date(2026, 3, 24), "shortening-does-not-shorten"),
            (date(2026, 2, 10), "shortening-before-treatment"),
        ],
    )
    def test_a_date_that_cannot_be(self, clinician, window, on, rule):
        problem = assert_problem(shorten(clinician, window, on), 422, "input_refused")
        assert pointers(problem) == {"/earliest_on": rule}
        window.refresh_from_db()
        assert (window.shortened, HealingDecision.objects.exists()) == (False, False)

    def test_never_is_final(self, ward, clinician):
        ward.course.patient.gold_therapy_ever = True
        ward.course.patient.save()
        session = make_session(ward, TREATED)
        session.refresh_from_db()
        window = make_window(session)
        assert window.state == "never"
        problem = assert_problem(
            shorten(clinician, window, date(2026, 3, 10)), 422, "input_refused"
        )
        assert pointers(problem) == {"/earliest_on": "never-is-final"}

    @pytest.mark.parametrize("role", [Role.LASER_OPERATOR, Role.FRONT_DESK, Role.CHAIN_MANAGER])
    def test_others_do_not_decide(self, ward, window, role):
        caller = ward.caller(role)
        assert_problem(shorten(caller, window, date(2026, 3, 10)), 403)
        assert_problem(release(caller, window), 403)


class TestExplanation:
    def test_shows_what_bound_and_what_did_not(self, ward, clinician, window):
        appointment = make_appointment(ward, NOW + timedelta(days=10))
        make_appointment(ward, NOW + timedelta(days=30))
        shown = clinician.get(f"/healing-windows/{window.pk}/explain").json()
        bound = {one["rule"]["id"]: one["on"] for one in shown["bound"]}
        assert bound == {"healing.base": "2026-03-24", "healing.advised": "2026-04-08"}
        assert shown["applied_not_binding"] == []
        assert "healing.gold" in {one["rule"]["id"] for one in shown["not_applicable"]}
        assert shown["summary"].startswith("Not before 2026-03-24; advised: 2026-04-08.")
        assert shown["appointments_inside"] == [appointment.pk]
        assert {one["id"] for one in shown["basis"]} == bound.keys()
        assert shown["caution"]

    def test_the_front_desk_reads_from_when_and_not_why(self, ward, clinician, window):
        path = f"/healing-windows/{window.pk}/explain"
        why = clinician.get(path).json()
        shown = ward.caller(Role.FRONT_DESK).get(path).json()
        dates = {"state", "earliest_on", "advised_on", "not_before", "shortened", "caution"}
        assert {name: shown[name] for name in dates} == {name: why[name] for name in dates}
        told = {name for name in FIELDS["ExplanationOut"] if why[name] is not None}
        assert {"summary", "basis", "bound", "facts"} <= told
        assert {name: shown[name] for name in told} == dict.fromkeys(told)
        assert why["summary"] not in str(shown)
        assert "healing.base" not in str(shown)

    def test_an_old_version_is_explained_as_it_was(self, ward, operator, clinician, window):
        observe(operator, ward, "scar", on=date(2026, 2, 20))
        path = f"/healing-windows/{window.pk}/explain"
        old, new = clinician.get(path, number=1).json(), clinician.get(path).json()
        assert (old["state"], new["state"]) == ("open", "held")
        assert [hold["rule_id"] for hold in new["holds"]] == ["healing.scar"]
        assert (new["earliest_on"], new["not_before"]) == (None, "2026-03-24")
        assert_problem(clinician.get(path, number=9), 404)
        versions = clinician.get(f"/healing-windows/{window.pk}/versions").json()["items"]
        assert [one["number"] for one in versions] == [1, 2]

    def test_versions_and_decisions_only_grow(self, window):
        with pytest.raises(Exception, match="only grows"):
            HealingWindowVersion.objects.update(state="closed")


class TestClock:
    def test_closes_an_open_window_when_its_time_has_come(self, ward):
        window = make_window(make_session(ward, NOW - timedelta(days=42)))
        closed = unit(lambda: window_close_if_due(window_id=window.pk, now=window.closes_at))
        assert closed.state == "closed"

    def test_does_not_close_a_second_before(self, ward):
        window = make_window(make_session(ward, NOW - timedelta(days=42)))
        before = window.closes_at - timedelta(seconds=1)
        still = unit(lambda: window_close_if_due(window_id=window.pk, now=before))
        assert still.state == "open"

    def test_holds_instead_when_the_skin_is_still_raised(self, ward):
        session = make_session(ward, NOW - timedelta(days=42))
        window = make_window(session)
        make_observation(session, kind="raised")
        held = unit(lambda: window_close_if_due(window_id=window.pk, now=window.closes_at))
        assert (held.state, held.earliest_on) == ("held", None)

    def test_a_closed_window_opens_again_for_what_is_seen_later(self, ward, operator):
        session = make_session(ward, NOW - timedelta(days=50))
        window = make_window(session)
        unit(lambda: window_close_if_due(window_id=window.pk, now=NOW))
        seen = observe(operator, ward, "hyperpigmentation", on=date(2026, 3, 1))
        assert (seen["healing_window"]["state"], seen["healing_window"]["id"]) == (
            "open",
            window.pk,
        )


class TestEarliest:
    def test_the_newest_window_of_each_tattoo_counts(self, ward):
        make_window(
            make_session(ward, NOW - timedelta(days=90), responses=[SkinResponse.TORN_EPIDERMIS])
        )
        newest = make_window(make_session(ward, NOW - timedelta(days=10)))
        earliest = earliest_for_course(ward.course)
        assert earliest.open_to_treatment
        assert (earliest.on, earliest.closes_at) == (newest.earliest_on, newest.closes_at)

    def test_the_latest_of_two_tattoos(self, ward):
        other = make_tattoo(ward.course.patient)
        ward.course.tattoos.add(other)
        first = make_window(make_session(ward, NOW - timedelta(days=10), parts=[ward.part]))
        make_window(make_session(ward, NOW - timedelta(days=30), parts=other.parts.all()))
        assert earliest_for_course(ward.course).on == first.earliest_on

    def test_windows_of_an_earlier_course_count(self, ward):
        window = make_window(make_session(ward, TREATED))
        assert earliest_for_course(make_course(ward.part.tattoo)).on == window.earliest_on

    def test_gold_bars_before_any_session(self, ward):
        patient = make_patient(ward.clinic, gold_therapy_ever=True)
        earliest = earliest_for_course(make_course(make_tattoo(patient)))
        assert earliest.barred
        assert not earliest.open_to_treatment

    def test_costs_one_query(self, ward, window, django_assert_num_queries):
        course = type(ward.course).objects.select_related("patient").get(pk=ward.course.pk)
        with django_assert_num_queries(1):
            earliest_for_course(course)


class TestList:
    def test_by_state_course_and_closing_span(self, ward, desk, window):
        closing = window.earliest_on
        for query, found in (
            ({"course": ward.course.pk}, 1),
            ({"state": "open"}, 1),
            ({"state": "held"}, 0),
            ({"closes_from": closing.isoformat()}, 1),
            ({"closes_until": closing.isoformat()}, 0),
        ):
            listed = desk.get("/healing-windows", **query)
            assert len(listed.json()["items"]) == found, query

    def test_costs_the_same_for_2_rows_as_for_12(self, ward, desk):
        for days in range(2):
            make_window(make_session(ward, NOW - timedelta(days=100 + days)))
        few = queries_of(desk, "/healing-windows")
        for days in range(10):
            make_window(make_session(ward, NOW - timedelta(days=50 + days)))
        assert queries_of(desk, "/healing-windows") == few
        assert len(desk.get("/healing-windows").json()["items"]) == 12

    def test_another_chain_sees_none(self, window):
        stranger = sign_in(Role.TREATING_CLINICIAN)
        assert stranger.get("/healing-windows").json()["items"] == []
        for step in ("", "/explain", "/versions"):
            assert_problem(stranger.get(f"/healing-windows/{window.pk}{step}"), 404)
        answer = stranger.client.post(
            f"/api/v1/healing-windows/{window.pk}/release",
            {"reason": "x"},
            format="json",
            headers={"If-Match": "*"},
        )
        assert_problem(answer, 404, "healing_window_unknown")
