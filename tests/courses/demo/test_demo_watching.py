"""While a visitor watches: windows close, recalls appear, messages leave one after the other."""

from datetime import timedelta

from courses.channels import configured_senders
from courses.models import Appointment, HealingWindow, Message
from courses.services.recalls.ticks import (
    messages_send_due,
    recalls_open_due,
    recalls_plan_missed,
)
from courses.vocabulary import AppointmentStatus, MessageStatus, WindowState
from tests.support.demo import LOADED_AT


def test_recalls_fall_due_before_the_visitors_eyes(demo, settings, tmp_path):
    settings.FALLOW_SENDERS = {"email": "outbox", "sms": "outbox"}
    settings.FALLOW_OUTBOX_DIR = tmp_path
    senders = configured_senders()
    overdue = HealingWindow.objects.filter(state=WindowState.OPEN, closes_at__lte=LOADED_AT)
    assert overdue.exists()
    files = []
    for minute in (1, 5, 10, 21):
        now = LOADED_AT + timedelta(minutes=minute)
        recalls_open_due(now=now)
        messages_send_due(clock=lambda now=now: now, senders=senders)
        files.append(len(list(tmp_path.glob("*.txt"))))
    assert 0 < files[0] < files[-1]
    assert files[-1] == Message.objects.filter(provider_reference__gt="").count()
    assert not overdue.exists()


def test_nothing_else_is_waiting_to_be_told(demo):
    """History has been told: a first look finds only what is meant for it."""
    done = recalls_open_due(now=LOADED_AT)
    assert done["resumed"] == done["calls_dropped"] == 0
    soon = Appointment.objects.filter(
        status=AppointmentStatus.BOOKED,
        starts_at__gte=LOADED_AT,
        starts_at__lt=LOADED_AT + timedelta(days=4),
    )
    assert done["reminders"] < max(1, soon.count())
    assert recalls_plan_missed(now=LOADED_AT)["planned"] == 0


def test_every_message_of_the_past_went_to_somebody_who_allowed_it(demo):
    told = Message.objects.filter(status=MessageStatus.COMPLETED).select_related("contact_point")
    assert told.count() > 20
    for message in told:
        point = message.contact_point
        assert point.consent_at < message.sent_at
        assert point.opted_out_at is None or message.sent_at < point.opted_out_at
        assert message.recall.course.patient_id == point.patient_id
