"""A session entered in error: its pulses come off, its window no longer counts."""

from datetime import timedelta

import pytest
from django.db.models import Sum

from clinics.vocabulary import Role
from courses.models import Session
from courses.selectors.healing import earliest_for_course
from devices.models import PulseEntry
from devices.services.ledger import pulse_entry_correct
from tests.support.api import assert_problem
from tests.support.courses import (
    NOW,
    make_appointment,
    make_observation,
    make_session,
    make_window,
)
from tests.support.factories import Grant, actor_of

pytestmark = pytest.mark.django_db


def take_back(caller, session, reason: str = "Recorded for the wrong patient"):
    pk = session if isinstance(session, int) else session.pk
    return caller.post(f"/sessions/{pk}/mark-entered-in-error", {"reason": reason})


def ledger_sum() -> int:
    return PulseEntry.objects.aggregate(sum=Sum("pulses"))["sum"]


def test_pulses_are_taken_back_by_new_rows(ward, clinician):
    session = make_session(ward)
    make_window(session)
    shown = take_back(clinician, session).json()
    assert (shown["status"], shown["status_reason"]) == (
        "entered-in-error",
        "Recorded for the wrong patient",
    )
    correction = PulseEntry.objects.get(purpose="correction")
    assert correction.corrects.source == f"session:{session.pk}"
    assert "wrong patient" in correction.reason
    assert (PulseEntry.objects.count(), ledger_sum()) == (2, 0)


def test_what_was_corrected_already_is_not_taken_back_twice(ward, clinician):
    session = make_session(ward)
    make_window(session)
    entry = PulseEntry.objects.get()
    safety = actor_of(ward.operator, Grant(role=Role.LASER_SAFETY_OFFICER, clinic_id=None))
    pulse_entry_correct(
        entry=entry, pulses=-40, reason="Counter read anew", entry_key="c1", actor=safety
    )
    take_back(clinician, session)
    assert (PulseEntry.objects.count(), ledger_sum()) == (3, 0)


def test_the_window_of_the_session_before_counts_again(ward, clinician):
    first = make_window(make_session(ward, NOW - timedelta(days=60)))
    second = make_session(ward, NOW - timedelta(days=10))
    make_window(second)
    assert earliest_for_course(ward.course).on > first.earliest_on
    take_back(clinician, second)
    assert earliest_for_course(ward.course).on == first.earliest_on
    listed = clinician.get("/healing-windows", course=ward.course.pk).json()["items"]
    assert [one["id"] for one in listed] == [first.pk]


def test_what_was_seen_since_belongs_to_the_session_before(ward, clinician):
    first = make_session(ward, NOW - timedelta(days=60))
    window = make_window(first)
    second = make_session(ward, NOW - timedelta(days=10))
    make_window(second)
    make_observation(second, kind="scar")
    take_back(clinician, second)
    window.refresh_from_db()
    assert window.state == "held"
    assert first.observations.get().kind == "scar"


def test_the_appointment_takes_the_session_as_it_was(ward, operator, clinician):
    appointment = make_appointment(ward, NOW - timedelta(minutes=30))
    body = ward.session_body(appointment=appointment.pk)
    wrong = operator.post("/sessions", body, key="s1").json()
    shown = take_back(clinician, wrong["id"], "Wrong line").json()
    assert (shown["appointment"], shown["status_reason"]) == (
        None,
        f"Wrong line (appointment {appointment.pk})",
    )
    right = operator.post("/sessions", body, key="s2")
    assert right.status_code == 201, right.json()
    appointment.refresh_from_db()
    assert (appointment.status, appointment.session.pk) == ("fulfilled", right.json()["id"])


def test_only_once_and_only_by_clinicians(ward, operator, clinician):
    session = make_session(ward)
    make_window(session)
    assert_problem(take_back(operator, session), 403)
    assert Session.objects.get().status == "completed"
    take_back(clinician, session)
    assert_problem(take_back(clinician, session), 409, "entered_in_error")
    assert ledger_sum() == 0


def test_a_reason_is_needed(ward, clinician):
    session = make_session(ward)
    assert_problem(take_back(clinician, session, " "), 400)
    assert PulseEntry.objects.count() == 1
