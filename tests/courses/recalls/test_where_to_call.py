"""Whoever opens the address in a message is told where to call."""

from urllib.parse import urlsplit

import pytest
from django.test import Client

from courses.channels import reply_link, unsubscribe_link
from tests.support.pages import AS_BROWSERS_ASK
from tests.support.recalls import make_invited

pytestmark = pytest.mark.django_db


def look(link, accept=AS_BROWSERS_ASK):
    return Client().get(urlsplit(link).path, headers={"Accept": accept})


def test_the_number_of_the_clinic_if_it_is_known():
    """As people read numbers (ITU-T E.123), to be called by a touch (RFC 3966)."""
    message = make_invited()
    links = reply_link(message.pk), unsubscribe_link(message.pk)
    assert not any("tel:" in look(link).content.decode() for link in links)
    clinic = message.recall.window.session.clinic
    clinic.phone = "+493023125017"
    clinic.save()
    for link in links:
        text = look(link).content.decode()
        assert '<a href="tel:+493023125017">+49 30 23125017</a>' in text
    assert look(links[0], "application/json").json()["phone"] == "+493023125017"
