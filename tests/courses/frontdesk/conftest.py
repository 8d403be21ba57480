"""The front desk's tests run at the stage's own time, a Monday morning, with months of shifts."""

from collections.abc import Iterator

import pytest
import time_machine

from clinics.vocabulary import Role
from courses.models import Appointment
from courses.services.booking import appointment_book, appointment_cancel
from tests.support.api import Caller, sign_in
from tests.support.booking import NOW, Stage, make_stage


@pytest.fixture(autouse=True)
def _at_stage_time() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def stage() -> Stage:
    return make_stage(days=200)


@pytest.fixture
def desk(stage) -> Caller:
    return sign_in(Role.FRONT_DESK, clinic=stage.clinic)


@pytest.fixture
def freed(stage) -> Appointment:
    """An appointment tomorrow from ten to eleven that was cancelled."""
    appointment = appointment_book(
        course_id=stage.course.pk,
        visit=stage.visit(minutes=60),
        actor=stage.desk,
        now=NOW,
    )
    return appointment_cancel(
        appointment_id=appointment.pk, reason="ill", actor=stage.desk, now=NOW
    )
