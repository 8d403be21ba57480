"""A patient presses twice, or on two phones: what they asked for is done once."""

from datetime import timedelta
from functools import partial
from threading import Barrier
from urllib.parse import urlsplit

import pytest
import time_machine
from django.test import Client

from courses.channels import reply_link
from courses.models import Appointment, Consent, RecallPause, Reply
from courses.selectors.recalls.replies import offer_of
from courses.services.recalls import replies
from tests.support.booking import NOW
from tests.support.pages import AS_BROWSERS_ASK, FORM, page_of
from tests.support.recalls import make_invited
from tests.support.threads import at_once

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

PRESSED = 4
SOON = NOW + timedelta(minutes=5)


@pytest.fixture
def page():
    """The page of somebody who was invited, while the clock stands still."""
    address = urlsplit(reply_link(make_invited().pk)).path
    with time_machine.travel(SOON, tick=False):
        yield page_of(Client().get(address, headers={"Accept": AS_BROWSERS_ASK}))


def press(form, bodies):
    """The statuses of the same form sent from several threads at once, without any key."""

    def send(body):
        headers = {"Accept": AS_BROWSERS_ASK}
        return Client().post(form.action, body, content_type=FORM, headers=headers).status_code

    return at_once(*[partial(send, body) for body in bodies])


def test_one_visit_is_booked_whichever_times_are_chosen(page):
    form = page.form("/book")
    bodies = [form.body(slot=value) for value in form.radios["slot"][:2]] * (PRESSED // 2)
    assert press(form, bodies) == [303] * PRESSED
    assert Appointment.objects.count() == Reply.objects.count() == 1


def test_invitations_are_put_off_once(page):
    form = page.form("/later")
    assert press(form, [form.body()] * PRESSED) == [303] * PRESSED
    assert RecallPause.objects.count() == Reply.objects.count() == 1


def test_messages_are_stopped_once(page):
    form = page.form("/stop")
    assert press(form, [form.body()] * PRESSED) == [303] * PRESSED
    assert Consent.objects.filter(decision="withdrawn").count() == Reply.objects.count() == 1


def test_control_without_the_lock_one_is_told_that_it_did_not_work(page, monkeypatch):
    both_have_looked = Barrier(2, timeout=20)

    def only_look(message_id, *, now, kind):
        offer = offer_of(message_id, now=now, kind=kind)
        both_have_looked.wait()
        return offer

    monkeypatch.setattr(replies, "_locked_offer", only_look)
    form = page.form("/book")
    bodies = [form.body(slot=value) for value in form.radios["slot"][:2]]
    assert sorted(press(form, bodies)) == [303, 409]
