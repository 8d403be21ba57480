"""While a visitor watches: windows close, recalls appear, messages leave one after the other."""

from datetime import timedelta
from urllib.parse import urlsplit

import time_machine
from django.test import Client

from courses.channels import configured_senders, reply_link
from courses.models import HealingWindow, Message
from courses.selectors.recalls.replies import LIFE
from courses.services.recalls.ticks import (
    messages_send_due,
    recalls_open_due,
)
from courses.timing import PURPOSE
from courses.timing.words import ConsentDecision
from courses.vocabulary import MessageStatus, RecallKind, WindowState
from tests.support.demo import LOADED_AT
from tests.support.pages import AS_BROWSERS_ASK, page_of


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


def test_what_was_told_lately_can_be_answered(demo):
    """Somebody who tries it out finds a page with times to choose from."""
    lately = Message.objects.filter(
        recall__kind=RecallKind.INVITATION,
        status=MessageStatus.COMPLETED,
        sent_at__gt=LOADED_AT - LIFE,
    )
    offering = []
    with time_machine.travel(LOADED_AT, tick=False):
        for message in lately:
            address = urlsplit(reply_link(message.pk)).path
            page = page_of(Client().get(address, headers={"Accept": AS_BROWSERS_ASK}))
            offering += [form for form in page.forms if form.action == f"{address}/book"]
    assert offering
    assert all(form.radios["slot"] for form in offering)


def test_nothing_else_is_waiting_to_be_told(demo):
    """History has been told: a first look plans what is to come, and little that is due now."""
    meant = set(
        Message.objects.filter(status=MessageStatus.PREPARATION).values_list("pk", flat=True)
    )
    calls = Message.objects.filter(status=MessageStatus.ON_HOLD)
    waiting = set(calls.values_list("pk", flat=True))
    open_windows = HealingWindow.objects.filter(state=WindowState.OPEN, closes_at__lte=LOADED_AT)
    left_open = set(open_windows.values_list("course", flat=True))
    recalls_open_due(now=LOADED_AT)
    assert set(calls.values_list("pk", flat=True)) == waiting
    due = Message.objects.filter(status=MessageStatus.PREPARATION, due_at__lte=LOADED_AT)
    others = due.exclude(pk__in=meant).exclude(recall__course__in=left_open)
    assert list(others.values_list("recall__kind", "recall__step", "due_at")) == []
    assert Message.objects.filter(due_at__gt=LOADED_AT + timedelta(days=1)).exists()


def test_every_message_of_the_past_went_to_somebody_who_allowed_it(demo):
    told = Message.objects.filter(status=MessageStatus.COMPLETED).select_related("contact_point")
    assert told.count() > 20
    for message in told:
        point = message.contact_point
        said = point.consents.filter(
            purpose=PURPOSE[message.recall.kind], decided_at__lte=message.sent_at
        )
        assert said.order_by("-decided_at")[0].decision == ConsentDecision.GIVEN
        assert message.recall.course.patient_id == point.patient_id
