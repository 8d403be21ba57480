"""A booking and a failed energy check at once: never a booking on a line that is out unseen."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import Appointment
from courses.selectors.energy_checks import doubt_of
from courses.services.booking import appointment_book
from devices.models import EmissionLine, LockOut
from devices.services.checks import energy_check_record
from tests.support.booking import NOW, make_running_course, make_stage
from tests.support.factories import make_actor
from tests.support.threads import at_once
from tests.support.upkeep import make_meter

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

ROUNDS = 12


def test_either_the_booking_is_refused_or_the_check_names_it():
    stage = make_stage()
    operator = make_actor(Role.LASER_OPERATOR, clinic=stage.clinic)
    meter = make_meter(stage.chain)
    line = EmissionLine.objects.get(laser_model=stage.laser.laser_model, wavelength_nm=1064)
    refused = 0
    for day in range(ROUNDS):
        course = make_running_course(stage.clinic)
        visit = stage.visit(NOW + timedelta(days=1 + day, hours=2))

        def fail():
            recorded = energy_check_record(
                laser_id=stage.laser.pk,
                fields={
                    "line": line,
                    "handpiece": stage.handpiece,
                    "meter": meter,
                    "checked_at": NOW,
                    "set_energy_j": 0.5,
                    "readings_j": [0.35] * 3,
                    "spot_mm": 3.0,
                    "spot_measured_mm": None,
                    "note": "",
                },
                actor=operator,
                now=NOW,
            )
            return recorded.check

        booked, check = at_once(
            lambda course=course, visit=visit: appointment_book(
                course_id=course.pk, visit=visit, actor=stage.desk, now=NOW
            ),
            fail,
        )
        hit = {one.pk for one in doubt_of(check, now=NOW).visits}
        if isinstance(booked, Appointment):
            assert booked.pk in hit
        else:
            assert booked == "slot_unfit"
            refused += 1
        LockOut.objects.all().delete()
    assert Appointment.objects.count() == ROUNDS - refused
