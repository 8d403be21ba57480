"""The tasks and the command: the same loops, woken in two ways."""

from datetime import timedelta

import pytest
from django.core.management import call_command
from django.utils import timezone

from courses import tasks
from courses.models import Appointment
from courses.services.recalls.sending import message_key
from courses.vocabulary import AppointmentStatus
from tests.support.courses import make_appointment
from tests.support.recalls import make_scene

pytestmark = pytest.mark.django_db


@pytest.fixture
def long_due(settings, tmp_path):
    """Treated so long ago that everything is due by the real clock, whatever the hour."""
    settings.FALLOW_SENDERS = {"email": "outbox"}
    settings.FALLOW_OUTBOX_DIR = tmp_path
    return make_scene(treated_at=timezone.now() - timedelta(days=60))


def test_tasks_carry_a_recall_from_the_window_to_the_outbox(long_due, tmp_path):
    tasks.open_due_recalls.run()
    assert long_due.recall.status == "active"
    tasks.send_due_messages.run()
    assert long_due.recall.status == "completed"
    assert [file.name for file in tmp_path.iterdir()] == [f"{message_key(long_due.message)}.txt"]
    tasks.open_due_recalls.run()
    tasks.send_due_messages.run()
    assert len(list(tmp_path.iterdir())) == 1


def test_the_command_does_the_same_without_a_queue(long_due, tmp_path, capsys):
    call_command("run_recalls", "--once")
    assert "closed 1" in capsys.readouterr().out
    assert long_due.recall.status == "completed"
    assert len(list(tmp_path.iterdir())) == 1


def test_expired_holds_are_cancelled(long_due):
    held = make_appointment(
        long_due.ward,
        timezone.now() + timedelta(days=1),
        status=AppointmentStatus.PROPOSED,
        hold_expires_at=timezone.now() - timedelta(minutes=1),
    )
    tasks.cancel_expired_holds.run()
    assert Appointment.objects.get(pk=held.pk).status == AppointmentStatus.CANCELLED
