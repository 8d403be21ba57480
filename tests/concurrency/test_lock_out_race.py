"""A booking and a lock-out at the same moment: never a booking that the lock-out does not see."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import Appointment
from courses.services.booking import appointment_book
from devices.models import LockOut
from devices.selectors import visits_hit
from devices.services.lock_outs import lock_out_place
from devices.vocabulary import LockOutReason
from tests.support.booking import NOW, make_running_course, make_stage
from tests.support.factories import make_actor
from tests.support.threads import at_once

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

ROUNDS = 12


def test_either_the_booking_is_refused_or_the_lock_out_names_it():
    stage = make_stage()
    officer = make_actor(Role.LASER_SAFETY_OFFICER, clinic=stage.clinic)
    refused = 0
    for day in range(ROUNDS):
        course = make_running_course(stage.clinic)
        visit = stage.visit(NOW + timedelta(days=1 + day, hours=2))

        def lock_out(start=visit.starts_at - timedelta(hours=1), end=visit.ends_at):
            placed = lock_out_place(
                laser_id=stage.laser.pk,
                reason=LockOutReason.FAULT,
                note="",
                start=start,
                end=end,
                actor=officer,
                now=NOW,
            )
            return placed.pk

        booked, placed = at_once(
            lambda course=course, visit=visit: appointment_book(
                course_id=course.pk, visit=visit, actor=stage.desk, now=NOW
            ),
            lock_out,
        )
        period = LockOut.objects.get(pk=placed).period
        hits = {
            row.source
            for row in visits_hit(
                stage.laser.resource_id, start=period.lower, end=period.upper, now=NOW
            )
        }
        if isinstance(booked, Appointment):
            assert hits == {f"appointment:{booked.pk}"}
        else:
            assert booked == "slot_unfit"
            assert hits == set()
            refused += 1
    assert Appointment.objects.count() == ROUNDS - refused
