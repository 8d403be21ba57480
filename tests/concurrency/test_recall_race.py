"""Two beats and ten workers at the same recalls: what one alone would have done."""

from collections import Counter
from datetime import timedelta
from functools import partial
from threading import Barrier

import pytest
from django.conf import settings

from courses.models import HealingWindow, HealingWindowVersion, Message, Recall
from courses.services.recalls import ticks
from courses.services.recalls.claims import Claim
from courses.services.recalls.planner import PLANNED_WITHIN
from tests.support.courses import make_ward
from tests.support.factories import make_clinic
from tests.support.recalls import Remembering, make_scene, open_due, send_due
from tests.support.threads import at_once

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

BEATS = 2
WORKERS = 10
PATIENTS = 24


@pytest.fixture
def noon():
    """When all of them are due, who were told before that the day is coming."""
    clinic = make_clinic()
    scene, *_ = [make_scene(make_ward(clinic=clinic)) for _ in range(PATIENTS)]
    before = scene.noon - timedelta(days=13)
    open_due(before)
    assert send_due(before) == {"sent": PATIENTS}
    return scene.noon


def all_at_once(now, way):
    """Every worker gets both ticks of every beat."""
    opening = [partial(open_due, now)] * (BEATS * WORKERS // 2)
    sending = [partial(send_due, now, way)] * (BEATS * WORKERS // 2)
    return at_once(*opening, *sending)


def test_everybody_is_told_once(noon):
    way = Remembering()
    tallies = all_at_once(noon, way)
    # Workers that came before there was anything to send, or while it was being planned, come again
    # with the next ticks.
    for number in range(1, 6):
        tallies += all_at_once(noon + number * PLANNED_WITHIN, way)
    assert sorted(Counter(way.addresses).values()) == [1] * PATIENTS
    told = Recall.objects.filter(status="completed").values_list("step", flat=True)
    assert Counter(told) == {"before-closing": PATIENTS, "window-closed": PATIENTS}
    assert Message.objects.filter(status="completed").count() == 2 * PATIENTS
    # Each window was closed once: opening and closing are its two versions.
    assert set(HealingWindow.objects.values_list("state", "number")) == {("closed", 2)}
    assert HealingWindowVersion.objects.count() == 2 * PATIENTS
    assert sum(tally.get("closed", 0) for tally in tallies) == PATIENTS
    assert sum(tally.get("sent", 0) for tally in tallies) == PATIENTS
    # There was a race: the work was shared out.
    assert sum(tally.get("sent", 0) > 0 for tally in tallies) > 1


def test_control_without_the_claims_lock_several_send_the_same(noon, monkeypatch):
    open_due(noon)
    waiting = Message.objects.filter(status="preparation", due_at__lte=noon)
    waiting.exclude(pk=waiting[0].pk).delete()
    barrier = Barrier(WORKERS, timeout=20)

    def look_then_take(*, now):
        message = Message.objects.filter(status="preparation", due_at__lte=now).first()
        barrier.wait()
        if message is None:
            return None
        lease = now + timedelta(seconds=settings.FALLOW_MESSAGE_LEASE_SECONDS)
        rows = Message.objects.filter(pk=message.pk, status__in=["preparation", "in-progress"])
        rows.update(status="in-progress", attempt=1, lease_until=lease)
        barrier.wait()
        return Claim(message_id=message.pk, attempt=1)

    monkeypatch.setattr(ticks, "message_claim", look_then_take)
    way = Remembering()
    at_once(*[partial(send_due, noon, way)] * WORKERS)
    assert len(way.sent) > 1
