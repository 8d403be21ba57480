"""Who of those who wait fits into time that has come free, and in which order."""

from datetime import time, timedelta

import pytest

from clinics.models import Reservation
from core.spans import Span
from courses.selectors.gaps import gap_candidates, opened_by
from courses.services.booking import (
    Hold,
    appointment_book,
)
from courses.slots import TimeWish
from courses.vocabulary import InkColour
from tests.support.booking import (
    NOW,
    TOMORROW_TEN,
    fit_handpiece,
    make_laser,
    make_running_course,
    make_stage,
)
from tests.support.frontdesk import treat, wait, wait_overdue
from tests.support.gaps import fitting, opened

pytestmark = pytest.mark.django_db


def test_the_most_overdue_is_first(stage):
    little, much, middling = (wait_overdue(stage, days) for days in (2, 40, 10))
    found = gap_candidates(opened(stage), actor=stage.desk, now=NOW, limit=10)
    assert [(one.entry.pk, one.overdue_days) for one in found] == [
        (much.pk, 40),
        (middling.pk, 10),
        (little.pk, 2),
    ]
    assert fitting(stage, limit=1) == [much.pk]


def test_skin_that_was_never_treated_is_overdue_since_the_entry(stage):
    newer = wait(stage, since=NOW - timedelta(days=3))
    older = wait(stage, since=NOW - timedelta(days=9))
    assert fitting(stage) == [older.pk, newer.pk]


def test_skin_that_is_not_ready_does_not_fit(stage):
    ready, healing, held = (make_running_course(stage.clinic) for _ in range(3))
    treat(stage, TOMORROW_TEN - timedelta(days=42), course=ready)
    treat(stage, TOMORROW_TEN - timedelta(days=41), course=healing)
    treat(stage, TOMORROW_TEN - timedelta(days=90), course=held, responses=["torn_epidermis"])
    entries = [wait(stage, course) for course in (ready, healing, held)]
    assert fitting(stage) == [entries[0].pk]


def test_the_visit_must_fit_in_by_its_length(stage):
    short = wait(stage)
    wait(stage, technique={"passes": 4})
    assert fitting(stage) == [short.pk]
    assert len(fitting(stage, Span(TOMORROW_TEN, TOMORROW_TEN + timedelta(hours=4)))) == 2


def test_the_ink_must_be_served_as_well_as_this_clinic_can(stage):
    red = wait(stage, make_running_course(stage.clinic, colour=InkColour.RED))
    green = wait(stage, make_running_course(stage.clinic, colour=InkColour.GREEN))
    assert fitting(stage) == [red.pk]
    for_green = make_laser(stage.clinic, wavelengths_nm=(755,))
    fit_handpiece(for_green)
    stage.room.cleared_wavelengths_nm = [532, 755, 1064]
    stage.room.save()
    assert fitting(stage, laser_id=for_green.pk) == [green.pk]
    assert fitting(stage, laser_id=stage.laser.pk) == [red.pk]


def test_wishes_notice_and_clinic_count(stage):
    elsewhere = make_stage()
    wait(elsewhere)
    wait(stage, wishes=[TimeWish(frozenset({5}))])
    wait(stage, wishes=[TimeWish(since=time(13))])
    wait(stage, notice_hours=27)
    can = wait(stage, wishes=[TimeWish(frozenset({2}), time(9), time(12))], notice_hours=25)
    assert fitting(stage) == [can.pk]


def test_a_patient_who_is_busy_or_deciding_is_not_asked(stage):
    busy, deciding = (make_running_course(stage.clinic) for _ in range(2))
    wait(stage, busy)
    wait(stage, deciding)
    Reservation.objects.create(
        resource=busy.patient.resource,
        period=(TOMORROW_TEN, TOMORROW_TEN + timedelta(minutes=50)),
        reason="appointment",
        source="appointment:0",
    )
    appointment_book(
        course_id=deciding.pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(days=2)),
        actor=stage.desk,
        now=NOW,
        hold=Hold(minutes=5),
    )
    assert fitting(stage) == []
    assert len(fitting(stage, now=NOW + timedelta(minutes=5))) == 1


def test_a_later_booking_would_be_replaced_and_an_earlier_one_keeps_its_distance(stage):
    later, earlier = (make_running_course(stage.clinic) for _ in range(2))
    booked = appointment_book(
        course_id=later.pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(days=20)),
        actor=stage.desk,
        now=NOW,
    )
    appointment_book(
        course_id=earlier.pk,
        visit=stage.visit(TOMORROW_TEN - timedelta(hours=1)),
        actor=stage.desk,
        now=NOW,
    )
    entry = wait(stage, later)
    wait(stage, earlier)
    [found] = gap_candidates(opened(stage), actor=stage.desk, now=NOW, limit=5)
    assert (found.entry.pk, found.replaces) == (entry.pk, booked)


def test_the_time_of_a_cancelled_appointment_is_on_its_laser(stage, freed):
    time_freed = opened_by(freed)
    assert time_freed == opened(stage, laser_id=stage.laser.pk)


def test_it_costs_the_same_for_two_and_for_ten(stage, django_assert_num_queries):
    for count in (2, 8):
        for _ in range(count):
            wait_overdue(stage, 5)
        with django_assert_num_queries(5):
            assert fitting(stage, limit=50)
