"""A text message that names longer than usual make too long goes the next way, or stops."""

import pytest

from courses.channels import MOST_SEGMENTS, Wording, flaws, sms_length
from courses.models import MessageTemplate
from tests.support.courses import make_contact_point, make_ward
from tests.support.factories import make_clinic, make_staff
from tests.support.recalls import Remembering, make_scene, open_due, send_due, statuses

pytestmark = pytest.mark.django_db

SMS = {"channel": "sms", "address": "+4915112345678"}
WORDS = Wording(subject="s", body="$clinic $link", short=f"$clinic {'a' * 600} $link")
LONG = "Море " * 20


def scene_at(name):
    """Somebody who is told by text message, in the chain's own and rather long words."""
    ward = make_ward(clinic=make_clinic(name=name))
    scene = make_scene(ward, **SMS)
    MessageTemplate.objects.create(
        chain=ward.chain,
        name="invitation",
        language="en",
        number=1,
        set_by=make_staff(ward.chain),
        set_at=scene.closes_at,
        **WORDS.parts(),
    )
    return scene


def told(scene):
    way = Remembering()
    open_due(scene.noon)
    tally = [send_due(scene.noon, way) for _ in range(2)]
    return way, tally


def test_the_words_are_fine_with_names_as_usual():
    assert flaws("invitation", WORDS) == []
    way, _ = told(scene_at("Harbour"))
    [(_, outgoing, text)] = way.sent
    assert outgoing.channel == "sms"
    assert sms_length(text.body).segments <= MOST_SEGMENTS


def test_what_got_too_long_goes_the_next_way():
    scene = scene_at(LONG)
    other = make_contact_point(scene.patient, rank=2)
    way, tally = told(scene)
    assert tally[0]["failed"] == 1
    assert way.addresses == [other.address]
    assert statuses(scene.recall.messages.order_by("pk")) == [
        ("stopped", "text_too_long"),
        ("completed", ""),
    ]
    scene.point.refresh_from_db()
    assert scene.point.state == "working"


def test_without_another_way_the_front_desk_sees_it():
    scene = scene_at(LONG)
    way, _ = told(scene)
    assert way.sent == []
    assert statuses([scene.message]) == [("stopped", "text_too_long")]
    assert scene.recall.status == "on-hold"


def test_a_letter_may_be_as_long_as_it_is():
    scene = scene_at(LONG)
    scene.point.channel, scene.point.address = "email", "invented@patient.example"
    scene.point.save()
    way, _ = told(scene)
    assert way.addresses == ["invented@patient.example"]
