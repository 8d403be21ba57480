"""A line that is locked out: searches and bookings go round it, the other lines go on."""

from dataclasses import replace
from datetime import timedelta

import pytest
from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from core.spans import Span
from courses.errors import SlotUnfit
from courses.models import Appointment
from courses.selectors.roster import rosters_for
from courses.services.booking import Hold, appointment_book, appointment_confirm
from devices.models import EmissionLine, LockOut
from devices.vocabulary import LockOutReason
from tests.support.booking import NOW, Stage, fit_handpiece, make_laser, make_stage

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)


@pytest.fixture
def stage() -> Stage:
    return make_stage()


def lock_line(stage, wavelength_nm=1064, *, laser=None, since=NOW - HOUR, until=None):
    laser = laser or stage.laser
    line = EmissionLine.objects.get(laser_model=laser.laser_model, wavelength_nm=wavelength_nm)
    return LockOut.objects.create(
        laser=laser,
        line=line,
        period=DateTimeTZRange(since, until),
        reason=LockOutReason.ENERGY_CHECK_FAILED,
    )


def book(stage, wavelengths_nm=(1064,), **changes):
    visit = replace(stage.visit(), wavelengths_nm=wavelengths_nm)
    return appointment_book(
        course_id=stage.course.pk, visit=visit, actor=stage.desk, now=NOW, **changes
    )


def emitted(stage):
    (roster,) = rosters_for(
        [stage.clinic.pk], span=Span(NOW, NOW + timedelta(days=7)), actor=stage.desk
    )
    return {laser.id: laser.wavelengths_nm for laser in roster.lasers}, roster


def test_the_roster_keeps_the_other_lines_and_the_laser_itself(stage):
    lock_line(stage)
    lines, roster = emitted(stage)
    assert lines == {stage.laser.pk: frozenset({532})}
    assert [laser.locked_out for laser in roster.lasers] == [()]
    assert [tip.wavelengths_nm for tip in roster.handpieces] == [frozenset({532})]


def test_a_released_line_is_back(stage):
    lock_line(stage, until=NOW - HOUR / 2)
    assert emitted(stage)[0] == {stage.laser.pk: frozenset({532, 1064})}


def test_the_same_line_of_another_laser_goes_on(stage):
    other = make_laser(stage.clinic)
    fit_handpiece(other)
    lock_line(stage)
    assert emitted(stage)[0] == {
        stage.laser.pk: frozenset({532}),
        other.pk: frozenset({532, 1064}),
    }


def test_no_booking_on_the_line_and_one_on_the_other(stage):
    lock_line(stage)
    with pytest.raises(SlotUnfit):
        book(stage)
    assert not Appointment.objects.exists()
    assert book(stage, wavelengths_nm=(532,)).pk


def test_a_hold_on_a_line_that_goes_out_is_not_confirmed(stage):
    held = book(stage, hold=Hold(minutes=10))
    lock_line(stage)
    with pytest.raises(SlotUnfit):
        appointment_confirm(appointment_id=held.pk, actor=stage.desk, now=NOW)
