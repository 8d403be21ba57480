"""Leases and attempts: who has a message, and whose word counts."""

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

import pytest
from django.db import connection

from clinics.vocabulary import Role
from courses.channels import Delivery, TemporaryTrouble
from courses.models import HealingWindow, Message, Recall
from courses.selectors.recalls.verdict import Unwanted, messages_with_context, verdict
from courses.services.recalls.claims import (
    Claim,
    Dropped,
    Failed,
    Sent,
    message_claim,
    message_settle,
)
from courses.services.recalls.desk import recall_withdraw
from courses.services.recalls.sending import message_deliver
from courses.vocabulary import Channel
from tests.support.courses import make_contact_point
from tests.support.factories import make_actor
from tests.support.recalls import Remembering, Scene, make_scene, open_due, send_due, statuses

SENT = Sent(Delivery(reference="theirs"))
UNKNOWN = [("on-hold", "outcome_unknown"), ("stopped", "outcome_unknown")]


class Died(BaseException):
    """The process was killed here."""


class DiesAfterSending(Remembering):
    def send(self, message, *, text, key):
        super().send(message, text=text, key=key)
        raise Died


@pytest.fixture
def due(scene) -> Scene:
    open_due(scene.closes_at)
    return scene


@pytest.fixture
def lease(settings) -> timedelta:
    return timedelta(seconds=settings.FALLOW_MESSAGE_LEASE_SECONDS)


class TestOneWorkerAtATime:
    def test_a_claim_says_until_when(self, due, lease):
        claim = message_claim(now=due.noon)
        message = due.message
        assert claim == Claim(message_id=message.pk, attempt=1)
        assert (message.status, message.lease_until) == ("in-progress", due.noon + lease)

    def test_nobody_else_gets_it_meanwhile(self, due, lease):
        message_claim(now=due.noon)
        assert message_claim(now=due.noon + lease - timedelta(seconds=1)) is None

    def test_when_the_lease_is_over_it_is_claimed_again(self, due, lease):
        message_claim(now=due.noon)
        assert not due.message.may_have_left
        again = message_claim(now=due.noon + lease)
        assert again == Claim(message_id=due.message.pk, attempt=2)
        assert due.message.may_have_left

    def test_the_word_of_one_who_lost_it_does_not_count(self, due, lease):
        slow = message_claim(now=due.noon)
        fresh = message_claim(now=due.noon + lease)
        assert not message_settle(claim=slow, outcome=Failed("slow"), now=due.noon + lease)
        assert due.message.status == "in-progress"
        assert message_settle(claim=fresh, outcome=SENT, now=due.noon + lease)
        assert not message_settle(claim=slow, outcome=Failed("slow"), now=due.noon + lease)
        assert statuses([due.message]) == [("completed", "")]

    def test_one_who_lost_it_does_not_send(self, due, lease, way):
        slow = message_claim(now=due.noon)
        message_claim(now=due.noon + lease)
        assert message_deliver(claim=slow, senders={Channel.EMAIL: way}, now=due.noon) is None
        assert way.sent == []

    def test_every_attempt_has_the_same_key(self, due, lease):
        way = DiesAfterSending()
        for number in range(2):
            with pytest.raises(Died):
                send_due(due.noon + number * lease, way)
        assert [key for key, _, _ in way.sent] == [f"fallow-message-{due.message.pk}"] * 2

    def test_without_keys_what_may_have_left_is_not_sent_again(self, due, lease):
        way = DiesAfterSending(honours_keys=False)
        make_contact_point(due.patient, rank=2)
        with pytest.raises(Died):
            send_due(due.noon, way)
        assert send_due(due.noon + lease, way) == {"failed": 1}
        assert len(way.sent) == 1
        assert statuses([due.recall, due.message]) == UNKNOWN
        open_due(due.noon + lease)
        assert statuses([due.recall]) == [("on-hold", "outcome_unknown")]

    def test_without_keys_a_provider_that_hangs_up_is_not_asked_again(self, due):
        way = Remembering(honours_keys=False)
        way.troubles = [TemporaryTrouble("provider_unreachable", may_have_left=True)]
        send_due(due.noon, way)
        assert statuses([due.message]) == [("stopped", "outcome_unknown")]

    def test_without_keys_what_did_not_leave_is_tried_again(self, due):
        way = Remembering(honours_keys=False)
        way.troubles = [TemporaryTrouble("mail_server_trouble")]
        send_due(due.noon, way)
        assert statuses([due.message]) == [("preparation", "mail_server_trouble")]

    def test_five_workers_that_died_are_enough(self, due, lease, way):
        make_contact_point(due.patient, rank=2)
        for number in range(5):
            message_claim(now=due.noon + number * lease)
        send_due(due.noon + 5 * lease, way)
        assert way.sent == []
        assert statuses([due.recall, due.message]) == UNKNOWN

    def test_five_workers_that_died_with_a_call_told_nobody(self, db, lease, way):
        scene = make_scene(channel="phone", address="+4915112345678")
        other = make_contact_point(scene.patient, rank=2)
        open_due(scene.closes_at)
        for number in range(5):
            message_claim(now=scene.noon + number * lease)
        send_due(scene.noon + 5 * lease, way)
        assert way.addresses == [other.address]


def test_what_was_planned_since_a_worker_asked_is_not_dropped(scene, way):
    """The worker saw a window that was open still; it is closed and planned when it says so."""
    open_due(scene.noon - timedelta(days=13))
    send_due(scene.noon - timedelta(days=13))
    claim = message_claim(now=scene.noon)
    seen = verdict(messages_with_context().get(pk=claim.message_id), now=scene.noon)
    assert seen == Unwanted("skin_not_ready")
    open_due(scene.noon)
    outcome = Dropped(seen.reason, recall_too=True)
    assert message_settle(claim=claim, outcome=outcome, now=scene.noon)
    assert send_due(scene.noon, way) == {"sent": 1}
    assert ("window-closed", "completed") in scene.steps


class TestWithdrawnWhileItIsSent:
    @pytest.fixture
    def withdrawn(self, due) -> Claim:
        claim = message_claim(now=due.noon)
        recall_withdraw(
            recall_id=due.recall.pk,
            reason="asked on the phone",
            actor=make_actor(Role.FRONT_DESK, chain=due.ward.chain),
            now=due.noon,
        )
        return claim

    def test_before_it_leaves_it_stays(self, due, withdrawn, way):
        message_deliver(claim=withdrawn, senders={Channel.EMAIL: way}, now=due.noon)
        assert way.sent == []
        assert statuses([due.recall, due.message]) == [
            ("revoked", "asked on the phone"),
            ("not-done", "withdrawn"),
        ]

    def test_what_has_left_is_told_as_it_was(self, due, withdrawn):
        message_settle(claim=withdrawn, outcome=SENT, now=due.noon)
        assert statuses([due.recall, due.message]) == [
            ("revoked", "asked on the phone"),
            ("completed", ""),
        ]

    def test_what_failed_is_not_tried_again(self, due, withdrawn):
        later = Failed("provider_answered_503", again_at=due.noon + timedelta(minutes=1))
        message_settle(claim=withdrawn, outcome=later, now=due.noon)
        assert statuses([due.message]) == [("not-done", "withdrawn")]


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
class TestManyWorkers:
    WORKERS = 10

    def together(self, do):
        barrier = Barrier(self.WORKERS, timeout=30)

        def run(_):
            barrier.wait()
            try:
                return do()
            finally:
                connection.close()

        with ThreadPoolExecutor(self.WORKERS) as pool:
            return list(pool.map(run, range(self.WORKERS)))

    def test_ten_ticks_at_once_close_each_window_once(self):
        scenes = [make_scene() for _ in range(6)]
        now = scenes[0].noon
        tallies = self.together(lambda: open_due(now))
        assert sum(tally["closed"] for tally in tallies) == len(scenes)
        assert Counter(Recall.objects.values_list("step", flat=True)) == {
            "window-closed": len(scenes),
            "two-weeks-after": len(scenes),
        }
        assert Message.objects.count() == Recall.objects.count()
        assert set(HealingWindow.objects.values_list("state", "number")) == {("closed", 2)}

    def test_ten_workers_send_each_message_once(self):
        scenes = [make_scene() for _ in range(6)]
        now = scenes[0].noon
        open_due(now)
        way = Remembering()
        self.together(lambda: send_due(now, way))
        keys = [key for key, _, _ in way.sent]
        assert len(keys) == len(set(keys)) == len(scenes)
        due = Message.objects.filter(due_at__lte=now)
        assert set(due.values_list("status", "attempt")) == {("completed", 1)}

    def test_control_without_a_claim_sends_again_and_again(self):
        """What the claim is for: each worker sends what it finds."""
        scene = make_scene()
        open_due(scene.noon)
        way = Remembering()
        barrier = Barrier(self.WORKERS, timeout=30)

        def look_and_send():
            found = list(Message.objects.filter(status="preparation", due_at__lte=scene.noon))
            barrier.wait()
            for message in found:
                way.send(message, text=None, key=str(message.pk))
                Message.objects.filter(pk=message.pk).update(status="in-progress")

        self.together(look_and_send)
        assert len(way.sent) == self.WORKERS
