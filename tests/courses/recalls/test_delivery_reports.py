"""What providers tell later: signed, taken once, and the next way is tried."""

import json
import time

import pytest
import time_machine
from django.utils import timezone

from courses.api.delivery_reports import signature
from courses.channels import Delivery, Refusal
from courses.models import ContactPoint, DeliveryReport, Message, Recall
from courses.services.recalls.claims import Sent, message_claim, message_settle
from courses.services.recalls.sending import message_key
from courses.timing.words import DeliveryOutcome
from tests.support.api import anonymous, assert_problem
from tests.support.courses import make_contact_point
from tests.support.recalls import Remembering, make_scene, open_due, send_due

pytestmark = pytest.mark.django_db
SECRET = "shared-in-tests"


@pytest.fixture(autouse=True)
def _secret(settings):
    settings.FALLOW_CALLBACK_SECRET = SECRET


@pytest.fixture
def scene():
    """The recall is due, and its day is today."""
    scene = make_scene(channel="sms", address="+4915112345678")
    make_contact_point(scene.patient, address="second@example.org", rank=2)
    open_due(scene.noon)
    with time_machine.travel(scene.noon, tick=False):
        yield scene


def tell(message, outcome, *, report="r-1", secret=SECRET, at=None, key=None):
    body = json.dumps(
        {
            "id": report,
            "reference": key or message_key(message),
            "outcome": outcome,
            "happened_at": timezone.now().isoformat(),
        }
    ).encode()
    stamp = str(int(at or time.time()))
    return anonymous().client.post(
        "/api/v1/delivery-callbacks",
        data=body,
        content_type="application/json",
        headers={
            "Callback-Timestamp": stamp,
            "Callback-Signature": signature(body, timestamp=stamp, secret=secret),
        },
    )


def sent(scene):
    send_due(scene.noon)
    return scene.message


def test_delivered(scene):
    message = sent(scene)
    assert tell(message, "delivered").json() == {"again": False}
    message.refresh_from_db()
    assert (message.status, message.delivered_at is not None) == ("completed", True)


def test_a_bounce_turns_the_address_off_and_the_next_way_is_tried(scene):
    message = sent(scene)
    assert tell(message, "bounced").status_code == 200
    scene.point.refresh_from_db()
    assert (scene.point.state, scene.point.off_reason) == ("off", "bounced")
    assert scene.point.off_at is not None
    message.refresh_from_db()
    assert (message.status, message.status_reason) == ("stopped", "bounced")
    second = Message.objects.filter(recall=message.recall_id).exclude(pk=message.pk).get()
    assert second.contact_point.address == "second@example.org"
    assert Recall.objects.get(pk=message.recall_id).status == "active"


def test_a_repeat_changes_nothing(scene):
    message = sent(scene)
    tell(message, "bounced")
    before = list(Message.objects.order_by("pk").values())
    assert tell(message, "bounced").json() == {"again": True}
    assert list(Message.objects.order_by("pk").values()) == before
    assert DeliveryReport.objects.count() == 1


def test_a_failure_leaves_the_address_on(scene):
    message = sent(scene)
    tell(message, "failed")
    scene.point.refresh_from_db()
    assert scene.point.state == "working"
    assert Message.objects.filter(recall=message.recall_id).count() == 2


def test_bad_news_that_come_before_the_receipt(scene):
    claim = message_claim(now=scene.noon)
    message = Message.objects.get(pk=claim.message_id)
    tell(message, DeliveryOutcome.BOUNCED)
    assert message_settle(claim=claim, outcome=Sent(Delivery("x")), now=scene.noon)
    message.refresh_from_db()
    assert (message.status, message.status_reason) == ("stopped", "bounced")
    assert Message.objects.filter(recall=message.recall_id).count() == 2


def test_unsigned_is_refused(scene):
    message = sent(scene)
    assert_problem(tell(message, "bounced", secret="other"), 403, "callback_unsigned")
    assert not DeliveryReport.objects.exists()


@pytest.mark.parametrize("seconds", [-400, 400])
def test_old_or_of_the_future_is_refused(scene, seconds):
    message = sent(scene)
    answer = tell(message, "bounced", at=time.time() + seconds)
    assert_problem(answer, 403, "callback_unsigned")
    assert not DeliveryReport.objects.exists()


def test_without_a_secret_nobody_listens(scene, settings):
    message = sent(scene)
    settings.FALLOW_CALLBACK_SECRET = ""
    assert_problem(tell(message, "bounced", secret=""), 403)


def test_an_unknown_message(scene):
    assert_problem(tell(sent(scene), "bounced", key="fallow-message-999999"), 404)


def test_a_refused_address_is_turned_off_when_it_is_sent(scene):
    way = Remembering(troubles=[Refusal("recipient_refused_550", address=True)])
    send_due(scene.noon, way)
    scene.point.refresh_from_db()
    assert (scene.point.state, scene.point.off_reason) == ("off", "recipient_refused_550")
    assert way.addresses == ["second@example.org"]


def test_a_refused_text_leaves_the_address_on(scene):
    send_due(scene.noon, Remembering(troubles=[Refusal("letter_refused_554")]))
    assert set(ContactPoint.objects.values_list("state", flat=True)) == {"working"}
