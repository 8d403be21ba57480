"""What is checked before a session counts, what is refused with which numbers, and overrides."""

from datetime import date, timedelta

import pytest
from django.db.backends.postgresql.psycopg_any import DateRange, DateTimeTZRange

from clinics.models import Credential
from clinics.vocabulary import Role
from courses.models import HealingWindow, Session
from courses.vocabulary import CourseStatus, InkColour, Technique
from devices.models import Fitting, LaserAuthorisation, PulseEntry
from tests.support.api import assert_problem
from tests.support.courses import (
    NOW,
    make_appointment,
    make_course,
    make_observation,
    make_session,
    make_ward,
    make_window,
)
from tests.support.devices import make_fitted_handpiece, make_laser, make_lock_out
from tests.support.factories import make_clinic, make_room

pytestmark = pytest.mark.django_db


def refused(operator, ward, **changes) -> dict:
    """The failed checks by id of a session that was refused; nothing was written."""
    before = Session.objects.count(), PulseEntry.objects.count(), HealingWindow.objects.count()
    answer = operator.post("/sessions", ward.session_body(**changes), key="s1")
    problem = assert_problem(answer, 422, "session_refused")
    assert (
        Session.objects.count(),
        PulseEntry.objects.count(),
        HealingWindow.objects.count(),
    ) == before
    assert problem["caution"]
    return {check["id"]: check for check in problem["checks"]}


def one_pass(ward, **changes) -> list[dict]:
    return [ward.pass_body(NOW - timedelta(minutes=25), **changes)]


def test_energy_beyond_the_line_shows_its_numbers(ward, operator):
    ward.laser.laser_model.lines.update(max_energy_j=0.5)
    failed = refused(operator, ward, passes=one_pass(ward, fluence_j_cm2=8))
    check = failed.pop("energy_in_line")
    assert not failed
    # F = 4 Q / (pi d^2): 8 J/cm2 at 3 mm is 0.565 J.
    assert check["numbers"]["energy_j"] == pytest.approx(0.565, abs=5e-4)
    assert check["numbers"]["max_energy_j"] == 0.5
    assert check["pointer"] == "/passes/0/fluence_j_cm2"
    assert not check["overridable"]


def test_energy_at_the_edge_of_the_line_passes(ward, operator):
    ward.laser.laser_model.lines.update(max_energy_j=0.5654866776461628)
    body = ward.session_body(passes=one_pass(ward, fluence_j_cm2=8))
    assert operator.post("/sessions", body, key="s1").status_code == 201


def test_a_millisecond_pulse_is_refused_with_numbers(ward, operator):
    failed = refused(operator, ward, passes=one_pass(ward, pulse_duration_ns=10_000_000))
    check = failed["pulse_short"]
    assert check["numbers"]["pulse_class"] == "millisecond"
    # d^2 / 16 k of a clump of 1 micrometre: 481 ns; heat runs sqrt(4 k t): 72 um in 10 ms.
    assert check["numbers"]["ink_clump_relaxation_ns"] == pytest.approx(481, rel=0.01)
    assert check["numbers"]["heat_runs_um"] == pytest.approx(72, rel=0.01)
    assert "10 ms" in check["detail"]
    assert "pulse_in_line" in failed


@pytest.mark.parametrize(
    ("changes", "check", "pointer"),
    [
        ({"spot_mm": 4}, "spot_in_handpiece", "/passes/0/spot_mm"),
        ({"spot_mm": 5, "fluence_j_cm2": 2}, "spot_in_line", "/passes/0/spot_mm"),
        ({"rate_hz": 11}, "rate_in_line", "/passes/0/rate_hz"),
        ({"pulse_duration_ns": 9}, "pulse_in_line", "/passes/0/pulse_duration_ns"),
        ({"pulses": 4501}, "pulses_in_time", "/passes/0/pulses"),
    ],
)
def test_each_setting_beyond_its_limit_is_named(ward, operator, changes, check, pointer):
    failed = refused(operator, ward, passes=one_pass(ward, **changes))
    assert failed[check]["pointer"] == pointer
    assert failed[check]["numbers"]


def test_all_that_fails_is_listed_at_once(ward, operator):
    make_lock_out(ward.laser)
    failed = refused(
        operator, ward, passes=one_pass(ward, rate_hz=20, fluence_j_cm2=30, pulses=200)
    )
    assert failed.keys() == {"laser_not_locked_out", "rate_in_line", "energy_in_line"}


def test_pulses_must_fit_until_the_next_pass(ward, operator):
    starts = NOW - timedelta(minutes=30)
    passes = [
        ward.pass_body(starts, pulses=301, rate_hz=5),
        ward.pass_body(starts + timedelta(minutes=1), pulses=200),
    ]
    failed = refused(operator, ward, passes=passes)
    assert failed["pulses_in_time"]["numbers"] == {
        "pulses": 301,
        "rate_hz": 5.0,
        "seconds": 60.0,
        "most_pulses": 300.0,
    }


class TestDevicesAndRooms:
    def test_a_locked_out_laser(self, ward, operator):
        lock_out = make_lock_out(ward.laser, since=NOW - timedelta(minutes=40))
        failed = refused(operator, ward)
        assert failed["laser_not_locked_out"]["numbers"]["lock_out"] == lock_out.pk

    def test_a_lock_out_that_began_after_the_last_pass_came_too_late(self, ward, operator):
        make_lock_out(ward.laser, since=NOW - timedelta(minutes=5))
        assert operator.post("/sessions", ward.session_body(), key="s1").status_code == 201

    def test_a_laser_of_another_clinic(self, ward, operator):
        elsewhere = make_clinic(ward.chain)
        ward.laser.clinic = elsewhere
        ward.laser.save()
        assert "laser_at_clinic" in refused(operator, ward)

    def test_a_laser_fixed_in_another_room(self, ward, operator):
        ward.laser.room = make_room(ward.clinic)
        ward.laser.save()
        assert "laser_in_room" in refused(operator, ward)

    def test_a_laser_out_of_service(self, ward, operator):
        ward.laser.status = "inactive"
        ward.laser.save()
        assert "laser_in_service" in refused(operator, ward)

    def test_a_handpiece_that_was_taken_off(self, ward, operator):
        until = NOW - timedelta(minutes=26)
        Fitting.objects.update(period=DateTimeTZRange(NOW - timedelta(days=9), until))
        failed = refused(operator, ward)
        assert failed["handpiece_fitted"]["pointer"] == "/passes/0/handpiece"

    def test_a_line_of_another_laser(self, ward, operator):
        other = make_laser(ward.clinic)
        line = other.laser_model.lines.get(wavelength_nm=1064)
        failed = refused(operator, ward, passes=one_pass(ward, line=line.pk))
        assert failed["line_emitted"]["detail"] == "The laser has no such line."

    def test_a_line_that_the_handpiece_does_not_pass(self, ward, operator):
        narrow = make_fitted_handpiece(ward.laser)
        narrow.lines.set([ward.line(532)])
        failed = refused(operator, ward, passes=one_pass(ward, handpiece=narrow.pk))
        assert failed["line_emitted"]["detail"] == "The handpiece does not pass this line."

    def test_a_room_not_cleared_for_the_wavelength(self, ward, operator):
        ward.room.cleared_wavelengths_nm = [532]
        ward.room.save()
        failed = refused(operator, ward)
        assert failed["room_cleared"]["numbers"] == {
            "wavelength_nm": 1064,
            "cleared_wavelengths_nm": [532],
        }

    def test_a_room_without_laser_control(self, ward, operator):
        ward.room.laser_controlled, ward.room.cleared_wavelengths_nm = False, []
        ward.room.save()
        assert {"room_controlled", "room_cleared"} <= refused(operator, ward).keys()


class TestPeople:
    def test_a_credential_that_has_expired_on_that_day(self, ward, operator):
        Credential.objects.update(valid_during=DateRange(date(2025, 1, 1), date(2026, 3, 2)))
        failed = refused(operator, ward)
        assert failed["operator_credential"]["numbers"] == {
            "wavelength_nm": 1064,
            "on": "2026-03-02",
            "valid_until": "2026-03-02",
        }

    def test_a_credential_counts_until_the_day_before_its_end(self, ward, operator):
        Credential.objects.update(valid_during=DateRange(date(2025, 1, 1), date(2026, 3, 3)))
        assert operator.post("/sessions", ward.session_body(), key="s1").status_code == 201

    def test_the_day_is_the_clinics(self):
        far = make_ward(clinic=make_clinic(time_zone="Pacific/Auckland"))
        Credential.objects.update(valid_during=DateRange(date(2025, 1, 1), date(2026, 3, 3)))
        # 11:30 UTC on 1 March is half past midnight on 2 March in Auckland; one day later is out.
        for starts, status in ((NOW - timedelta(hours=20, minutes=30), 201),):
            body = far.session_body(starts)
            answer = far.caller(Role.LASER_OPERATOR).post("/sessions", body, key="s1")
            assert answer.status_code == status, answer.json()
            assert answer.json()["treated_on"] == "2026-03-02"

    def test_a_credential_for_other_wavelengths(self, ward, operator):
        Credential.objects.update(wavelengths_nm=[532])
        assert "operator_credential" in refused(operator, ward)

    def test_a_credential_for_another_laser_model(self, ward, operator):
        other = make_laser(ward.clinic)
        LaserAuthorisation.objects.create(
            credential=Credential.objects.get(), laser_model=other.laser_model
        )
        assert "operator_credential" in refused(operator, ward)

    def test_somebody_who_has_left(self, ward, operator):
        ward.operator.active = False
        ward.operator.save()
        assert "operator_credential" in refused(operator, ward)


class TestCourse:
    @pytest.mark.parametrize("status", [CourseStatus.DRAFT, CourseStatus.ON_HOLD])
    def test_only_an_active_course_is_treated(self, ward, operator, status):
        course = make_course(ward.part.tattoo, status=status)
        failed = refused(operator, ward, course=course.pk)
        assert failed["course_active"]["numbers"] == {"status": status}

    def test_gold_medication_is_never_overridden(self, ward, clinician):
        patient = ward.course.patient
        patient.gold_therapy_ever = True
        patient.save()
        failed = refused(clinician, ward, override_reason="The patient insists")
        assert failed.keys() == {"never_treat"}

    def test_an_appointment_of_another_course(self, ward, operator):
        other = make_ward(clinic=ward.clinic)
        appointment = make_appointment(other)
        assert "appointment_stands" in refused(operator, ward, appointment=appointment.pk)

    def test_a_cancelled_appointment(self, ward, operator):
        appointment = make_appointment(ward, status="cancelled")
        assert "appointment_stands" in refused(operator, ward, appointment=appointment.pk)

    def test_parts_of_another_tattoo_are_not_known(self, ward, operator):
        other = make_ward(clinic=ward.clinic)
        body = ward.session_body(passes=one_pass(ward, parts=[other.part.pk]))
        problem = assert_problem(operator.post("/sessions", body, key="s1"), 400, "invalid")
        assert problem["errors"][0]["pointer"] == "/passes/0/parts/0"


class TestWindow:
    def test_an_open_window_refuses_and_says_until_when(self, ward, operator):
        window = make_window(make_session(ward, NOW - timedelta(days=30)))
        failed = refused(operator, ward)
        check = failed.pop("window_closed")
        assert not failed
        assert check["overridable"]
        assert check["numbers"]["healing_window"] == window.pk
        assert check["numbers"]["earliest_on"] == window.earliest_on.isoformat()

    def test_boundary_at_midnight_in_the_clinics_zone(self):
        berlin = make_ward(clinic=make_clinic(time_zone="Europe/Berlin"))
        # Treated on 19 January; 42 days later is 2 March, which begins at 23:00 UTC on 1 March.
        make_window(make_session(berlin, NOW - timedelta(days=42)))
        caller = berlin.caller(Role.LASER_OPERATOR)
        midnight = NOW.replace(day=1, hour=23)
        early = berlin.session_body(midnight - timedelta(seconds=1))
        problem = assert_problem(caller.post("/sessions", early, key="a"), 422, "session_refused")
        assert problem["checks"][0]["numbers"]["closes_at"] == "2026-03-01T23:00:00+00:00"
        answer = caller.post("/sessions", berlin.session_body(midnight), key="b")
        assert answer.status_code == 201, answer.json()

    def test_a_clinician_overrides_with_a_reason(self, ward, clinician):
        make_window(make_session(ward, NOW - timedelta(days=30)))
        body = ward.session_body(override_reason="Seen healed; patient leaves the country")
        answer = clinician.post("/sessions", body, key="s1")
        assert answer.status_code == 201, answer.json()
        shown = answer.json()
        assert shown["override_reason"].startswith("Seen healed")
        assert shown["recorded_by"] == clinician.staff.pk
        results = {check["id"]: check["result"] for check in shown["checks"]}
        assert results["window_closed"] == "overridden"

    def test_an_operator_does_not_override(self, ward, operator):
        make_window(make_session(ward, NOW - timedelta(days=30)))
        body = ward.session_body(override_reason="It looks fine")
        assert_problem(operator.post("/sessions", body, key="s1"), 403, "not_allowed")
        assert Session.objects.count() == 1

    def test_an_override_lifts_nothing_but_the_window(self, ward, clinician):
        make_window(make_session(ward, NOW - timedelta(days=30)))
        failed = refused(
            clinician,
            ward,
            override_reason="Seen healed",
            passes=one_pass(ward, rate_hz=20),
        )
        assert failed.keys() == {"window_closed", "rate_in_line"}

    def test_what_has_not_healed_by_that_day_holds_although_the_clock_has_not_looked(
        self, ward, operator
    ):
        session = make_session(ward, NOW - timedelta(days=43))
        window = make_window(session)
        make_observation(session, kind="raised")
        assert window.state == "open"
        assert window.closes_at < NOW
        failed = refused(operator, ward)
        assert failed["window_closed"]["detail"].startswith("Held")

    def test_a_window_of_an_earlier_course_of_the_same_tattoo_counts(self, ward, operator):
        make_window(make_session(ward, NOW - timedelta(days=30)))
        course = make_course(ward.part.tattoo)
        assert "window_closed" in refused(operator, ward, course=course.pk)

    def test_another_tattoo_of_the_course_may_be_treated(self, ward, operator):
        make_window(make_session(ward, NOW - timedelta(days=30)))
        other = make_ward(clinic=ward.clinic).part.tattoo
        other.patient = ward.course.patient
        other.save()
        ward.course.tattoos.add(other)
        body = ward.session_body(passes=one_pass(ward, parts=[other.parts.get().pk]))
        assert operator.post("/sessions", body, key="s1").status_code == 201

    def test_a_tan_before_the_first_session(self, ward, operator):
        ward.course.observations.create(
            kind="tan", observed_on=date(2026, 2, 20), recorded_by=ward.operator
        )
        failed = refused(operator, ward)
        assert failed["skin_ready"]["numbers"]["until"] == "2026-03-20"

    def test_a_session_before_one_already_recorded(self, ward, operator):
        later = make_session(ward, NOW - timedelta(minutes=10))
        failed = refused(operator, ward)
        assert failed["window_closed"]["numbers"] == {"sessions": [later.pk]}


class TestWarnings:
    def warned(self, operator, ward, **changes) -> list[dict]:
        answer = operator.post("/sessions", ward.session_body(**changes), key="s1")
        assert answer.status_code == 201, answer.json()
        return [check for check in answer.json()["checks"] if check["result"] == "warning"]

    @pytest.mark.parametrize("colour", [InkColour.WHITE, InkColour.FLESH])
    def test_white_and_flesh_ink_warn_of_darkening(self, colour):
        ward = make_ward(parts=[(colour, Technique.SOLID_FILL, 1.0)])
        found = self.warned(ward.caller(Role.LASER_OPERATOR), ward)
        cautions = [one for one in found if one["id"] == "ink_cautions"]
        assert cautions[0]["numbers"]["code"] == "darkening"
        assert cautions[0]["numbers"]["test_spot"] is True

    def test_a_second_pass_into_the_whitening_warns(self, ward, operator):
        starts = NOW - timedelta(minutes=30)
        passes = [
            ward.pass_body(starts),
            ward.pass_body(starts + timedelta(minutes=5)),
        ]
        found = self.warned(operator, ward, passes=passes)
        assert [(one["id"], one["numbers"]["minutes"]) for one in found] == [("whitening_gone", 5)]

    def test_a_clearing_agent_makes_it_soon_enough(self, ward, operator):
        starts = NOW - timedelta(minutes=30)
        passes = [ward.pass_body(starts), ward.pass_body(starts + timedelta(minutes=5))]
        assert self.warned(operator, ward, passes=passes, clearing_agent=True) == []

    def test_a_part_marked_as_gone_warns(self, ward, operator):
        part = ward.part
        part.cleared_on = date(2026, 2, 1)
        part.save()
        assert {one["id"] for one in self.warned(operator, ward)} == {"part_visible"}


class TestPreview:
    def test_says_what_would_fail_and_stores_nothing(self, ward, operator):
        make_lock_out(ward.laser)
        body = ward.session_body(NOW + timedelta(days=3))
        del body["passes"][0]["pulses"], body["passes"][0]["started_at"], body["ended_at"]
        answer = operator.post("/sessions/preview", body)
        assert answer.status_code == 200, answer.json()
        shown = answer.json()
        assert (shown["would_record"], shown["overridable"]) == (False, False)
        assert [c["id"] for c in shown["checks"] if c["result"] == "failed"] == [
            "laser_not_locked_out"
        ]
        assert shown["caution"]
        assert not Session.objects.exists()

    def test_needs_no_passes_and_no_time(self, ward, operator):
        body = ward.session_body(passes=[])
        del body["started_at"], body["ended_at"]
        shown = operator.post("/sessions/preview", body).json()
        assert shown["would_record"] is True

    def test_is_for_those_who_treat(self, ward, desk):
        assert_problem(desk.post("/sessions/preview", ward.session_body()), 403)
