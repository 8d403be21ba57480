"""The demonstration keeps every rule that the services keep, though it is written in bulk."""

from collections import defaultdict
from datetime import date, timedelta
from itertools import pairwise

import pytest
from django.db.models import Sum

from clinics.models import Reservation
from clinics.services.reservations import release
from core.db import from_range
from courses.healing import earliest_instant, facts_json, outcomes_json
from courses.models import (
    Appointment,
    ClearanceGrade,
    Course,
    HealingWindow,
    Session,
    TreatmentPass,
)
from courses.science.grading import check_grading_day
from courses.selectors.healing_record import decisions_about, local_today, window_as_of
from courses.selectors.precautions import appointment_standings
from courses.selectors.slots import Fitness, visit_fitness
from courses.selectors.visits import Visit, visit_resources
from courses.slots import role_spans
from courses.vocabulary import (
    AppointmentStatus,
    CourseEnd,
    CourseGoal,
    CourseStatus,
    SessionStatus,
    TreatmentRole,
    WindowState,
)
from devices.models import PulseEntry
from devices.vocabulary import PulsePurpose
from tests.support.factories import now

STANDING = (AppointmentStatus.BOOKED, AppointmentStatus.FULFILLED)


def test_each_booked_visit_keeps_busy_exactly_what_it_needs(demo):
    actor = demo.actor("chain_manager")
    for appointment in Appointment.objects.filter(status__in=STANDING).select_related("course"):
        visit = Visit.of(appointment)
        resources = visit_resources(
            visit.place, patient_id=appointment.course.patient_id, actor=actor
        )
        spans = role_spans(visit.timeline, start=visit.starts_at)
        wanted = {
            (pk, span)
            for role in TreatmentRole
            for pk in resources.of(role)
            for span in spans[role]
        }
        rows = Reservation.objects.filter(source=f"appointment:{appointment.pk}")
        assert {(row.resource_id, from_range(row.period)) for row in rows} == wanted
        assert appointment.ends_at == visit.ends_at


def test_what_fell_through_keeps_nothing_busy(demo):
    fallen = Appointment.objects.exclude(status__in=STANDING)
    sources = [f"appointment:{pk}" for pk in fallen.values_list("pk", flat=True)]
    assert sources
    assert not Reservation.objects.filter(source__in=sources).exists()


def test_each_visit_ahead_is_one_that_the_service_would_book(demo):
    actor = demo.actor("front_desk")
    ahead = Appointment.objects.filter(status=AppointmentStatus.BOOKED, starts_at__gt=now())
    assert ahead.count() >= 10
    for appointment in ahead.select_related("course__patient"):
        release(source=f"appointment:{appointment.pk}")
        fitness, reasons = visit_fitness(
            appointment.course, Visit.of(appointment), actor=actor, now=now()
        )
        assert fitness is Fitness.FIT, reasons


def test_ledger_entries_of_a_session_are_its_passes(demo):
    passes = TreatmentPass.objects.select_related("pulse_entry", "session")
    for one in passes:
        entry = one.pulse_entry
        assert (entry.pulses, entry.line_id, entry.handpiece_id, entry.laser_id) == (
            one.pulses,
            one.line_id,
            one.handpiece_id,
            one.session.laser_id,
        )
        assert entry.source == f"session:{one.session_id}"
    treatment = PulseEntry.objects.filter(purpose=PulsePurpose.TREATMENT)
    assert treatment.count() == passes.count()
    assert treatment.aggregate(Sum("pulses")) == passes.aggregate(Sum("pulses"))


def test_the_ledger_is_written_in_the_order_of_time_with_test_fires_between(demo):
    entries = list(PulseEntry.objects.filter(corrects=None).order_by("pk"))
    assert all(one.fired_at <= other.fired_at for one, other in pairwise(entries))
    fires = [entry for entry in entries if entry.purpose == PulsePurpose.TEST_FIRE]
    assert len(fires) > 10
    assert all(entry.laser.fittings.holding_at(entry.fired_at).exists() for entry in fires)


def test_each_window_is_what_the_rules_say_of_its_session(demo):
    for window in HealingWindow.objects.select_related("session__clinic"):
        newest = window.versions.get(number=window.number)
        session, decisions = window.session, decisions_about(window.pk)
        as_told = max(
            [session.treated_on, *(event for event in _days(newest.facts))],
        )
        facts, computed = window_as_of(session, today=as_told, decisions=decisions)
        assert facts_json(facts) | {"today": newest.facts["today"]} == newest.facts
        _, now_computed = window_as_of(
            session, today=local_today(session, now=now()), decisions=decisions
        )
        for told in (computed, now_computed):
            assert (window.earliest_on, window.advised_on) == (told.earliest_on, told.advised_on)
        assert outcomes_json(computed) == newest.outcomes
        if window.earliest_on is not None:
            zone = session.clinic.time_zone
            assert window.closes_at == earliest_instant(window.earliest_on, zone=zone)
        elif window.state != now_computed.state:
            pytest.fail(f"window {window.pk} is {window.state}")


def _days(facts):

    return [date.fromisoformat(facts["today"])]


def test_every_session_that_treated_skin_has_a_window_with_all_its_versions(demo):
    treated = Session.objects.filter(
        status__in=[SessionStatus.COMPLETED, SessionStatus.STOPPED]
    ).count()
    assert treated == Session.objects.count() == HealingWindow.objects.count()
    for window in HealingWindow.objects.prefetch_related("versions"):
        numbers = [version.number for version in window.versions.all()]
        assert numbers == list(range(1, window.number + 1))


def test_no_session_before_the_window_of_the_one_before_has_closed(demo):
    by_tattoo = defaultdict(set)
    for one in TreatmentPass.objects.prefetch_related("parts"):
        for part in one.parts.all():
            by_tattoo[part.tattoo_id].add(one.session_id)
    sessions = Session.objects.in_bulk()
    windows = {window.session_id: window for window in HealingWindow.objects.all()}
    pairs = 0
    for ids in by_tattoo.values():
        ordered = sorted((sessions[pk] for pk in ids), key=lambda session: session.started_at)
        for before, after in pairwise(ordered):
            pairs += 1
            assert windows[before.pk].closes_at <= after.started_at
            assert windows[before.pk].state == WindowState.CLOSED
    assert pairs > 20


def test_no_check_failed_and_each_session_went_with_its_appointment(demo):
    for session in Session.objects.select_related("appointment"):
        assert {finding["result"] for finding in session.checks} <= {"passed", "warning"}
        assert session.appointment.status == AppointmentStatus.FULFILLED
        assert session.appointment.course_id == session.course_id
        assert timedelta(0) <= session.started_at - session.appointment.starts_at


def test_everyone_was_asked_about_precautions_before_each_session(demo):
    for session in Session.objects.all():
        [asked] = [one for one in session.checks if one["id"] == "precautions_answered"]
        assert asked["result"] == "passed"


def test_some_have_told_of_something_new_since_they_booked(demo):
    ahead = Appointment.objects.filter(status=AppointmentStatus.BOOKED).select_related(
        "clinic", "course__patient"
    )
    standings = appointment_standings(ahead, now=now())
    assert any(standing.new for standing in standings.values())
    assert not all(standing.new for standing in standings.values())


def test_grades_are_of_days_on_which_ink_can_be_judged_and_never_fall(demo):
    by_part = defaultdict(list)
    for grade in ClearanceGrade.objects.select_related("part").order_by("graded_on"):
        by_part[grade.part].append(grade)
    assert by_part
    for part, grades in by_part.items():
        treated = Session.objects.filter(passes__parts__tattoo=part.tattoo_id)
        days = set(treated.values_list("treated_on", flat=True))
        for grade in grades:
            check_grading_day(grade.graded_on, treated_on=days)
        assert all(one.low <= other.low for one, other in pairwise(grades))
        if part.cleared_on is not None:
            assert part.cleared_on == grades[-1].graded_on


def test_courses_stand_at_every_stage(demo):
    assert set(Course.objects.values_list("status", flat=True)) == {
        CourseStatus.DRAFT,
        CourseStatus.ACTIVE,
        CourseStatus.ON_HOLD,
        CourseStatus.REVOKED,
        CourseStatus.COMPLETED,
    }
    ends = set(Course.objects.values_list("end_reason", flat=True))
    assert {CourseEnd.GOAL_REACHED, CourseEnd.LOST_TO_FOLLOW_UP} <= ends
    assert Course.objects.filter(goal=CourseGoal.LIGHTEN).exists()
    assert set(HealingWindow.objects.values_list("state", flat=True)) == set(WindowState)
    for course in Course.objects.filter(status=CourseStatus.COMPLETED):
        assert not course.tattoos.filter(parts__cleared_on=None).exists()
