"""A message that may have left: again under its key, and by no other way until more is known."""

from datetime import timedelta

import pytest

from courses.channels import Delivery, Refusal, TemporaryTrouble
from courses.models import Message, Recall
from courses.services.recalls.claims import Dropped, Failed, Sent, Waits, message_claim
from courses.services.recalls.claims import message_settle as settle
from courses.services.recalls.reports import Told, delivery_report_take
from courses.timing.words import DeliveryOutcome
from courses.vocabulary import Channel
from tests.support.courses import make_contact_point, say
from tests.support.recalls import Remembering, Scene, make_scene, open_due, send_due, statuses

pytestmark = pytest.mark.django_db

DAY, HOUR, SECOND = timedelta(days=1), timedelta(hours=1), timedelta(seconds=1)
UNKNOWN = [("on-hold", "outcome_unknown"), ("stopped", "outcome_unknown")]
SENT = Sent(Delivery("theirs"))


def hung_up() -> TemporaryTrouble:
    return TemporaryTrouble("provider_unreachable", may_have_left=True)


def not_now() -> TemporaryTrouble:
    return TemporaryTrouble("provider_answered_429")


@pytest.fixture
def due(db) -> Scene:
    """To be told by text message, else by e-mail."""
    scene = make_scene(channel="sms", address="+4915112345678")
    make_contact_point(scene.patient, address="second@example.org", rank=2)
    open_due(scene.noon)
    return scene


def try_all(scene: Scene, way: Remembering) -> None:
    for day in range(6):
        send_due(scene.noon + day * DAY, way)


def tell(scene, outcome, *, at=None, name="r-1", message=None):
    at = at or scene.noon
    told = Told(provider_id=name, outcome=DeliveryOutcome(outcome), happened_at=at)
    return delivery_report_take(message_id=(message or scene.message).pk, told=told, now=at)


def first_and_second(scene: Scene) -> list[Message]:
    return list(Message.objects.filter(recall=scene.recall).order_by("pk"))


class TestNoOtherWayIsTried:
    @pytest.mark.parametrize(
        "troubles",
        [
            [hung_up() for _ in range(5)],
            [hung_up(), *(not_now() for _ in range(4))],
            [not_now(), hung_up(), Refusal("provider_refused_400")],
        ],
    )
    def test_after_the_last_attempt(self, due, way, troubles):
        way.troubles = troubles
        try_all(due, way)
        assert way.sent == []
        assert statuses([due.recall, due.message]) == UNKNOWN

    def test_control_what_surely_stayed_here_goes_by_the_next_way(self, due, way):
        way.troubles = [not_now() for _ in range(5)]
        try_all(due, way)
        assert way.addresses == ["second@example.org"]

    @pytest.mark.parametrize("planned_between", [True, False])
    def test_when_the_patient_opts_out_meanwhile(self, due, way, planned_between):
        way.troubles = [hung_up()]
        send_due(due.noon, way)
        say(due.point, "withdrawn", at=due.noon)
        if planned_between:
            open_due(due.noon + SECOND)
        try_all(due, way)
        open_due(due.noon + DAY)
        assert way.sent == []
        assert Message.objects.filter(recall=due.recall).count() == 1
        assert statuses([due.recall]) == UNKNOWN[:1]

    def test_nor_when_a_worker_drops_it(self, due):
        claim = message_claim(now=due.noon)
        Message.objects.update(may_have_left=True)
        assert settle(claim=claim, outcome=Dropped("channel_closed"), now=due.noon)
        assert statuses([due.recall, due.message]) == UNKNOWN


def test_the_same_is_sent_again_under_its_key(due, way):
    way.troubles = [hung_up()]
    send_due(due.noon, way)
    assert (due.message.status, due.message.may_have_left) == ("preparation", True)
    open_due(due.noon + SECOND)
    try_all(due, way)
    assert [key for key, _, _ in way.sent] == [f"fallow-message-{due.message.pk}"]
    assert (due.message.status, due.message.may_have_left) == ("completed", False)


def test_not_by_a_way_that_knows_keys_no_longer(due):
    send_due(due.noon, Remembering(troubles=[hung_up()]))
    keyless = Remembering(honours_keys=False)
    try_all(due, keyless)
    assert keyless.sent == []
    assert statuses([due.recall, due.message]) == UNKNOWN


def test_without_a_word_a_withdrawn_one_stays_unknown(due):
    """Whatever takes the recall back later, nobody is told twice."""
    claim = message_claim(now=due.noon)
    Recall.objects.update(status="revoked", status_reason="booked")
    assert settle(claim=claim, outcome=Failed("x", may_have_left=True), now=due.noon)
    assert statuses([due.message]) == UNKNOWN[1:]


class TestWhatIsToldWhileAWorkerHasIt:
    @pytest.mark.parametrize(
        "outcome",
        [
            SENT,
            Failed("provider_unreachable", may_have_left=True),
            Failed("provider_answered_503", again_at=None),
            Waits("quiet_hours", None),
            Dropped("opted_out"),
        ],
    )
    def test_it_failed(self, due, outcome):
        claim = message_claim(now=due.noon)
        tell(due, "failed")
        assert due.message.status == "in-progress"
        assert settle(claim=claim, outcome=outcome, now=due.noon)
        first, second = first_and_second(due)
        assert statuses([first, second]) == [("stopped", "failed"), ("preparation", "")]
        assert second.contact_point.address == "second@example.org"
        assert not first.may_have_left

    def test_it_failed_and_nobody_is_to_be_told_any_more(self, due):
        claim = message_claim(now=due.noon)
        tell(due, "failed")
        type(due.course).objects.update(status="on-hold")
        dropped = Dropped("course_not_running", recall_too=True)
        assert settle(claim=claim, outcome=dropped, now=due.noon)
        assert statuses([due.recall, due.message]) == [
            ("revoked", "course_not_running"),
            ("stopped", "failed"),
        ]

    def test_it_arrived_though_the_worker_saw_it_fail(self, due):
        claim = message_claim(now=due.noon)
        tell(due, "delivered")
        later = Failed("provider_unreachable", again_at=due.noon + HOUR, may_have_left=True)
        assert settle(claim=claim, outcome=later, now=due.noon)
        assert statuses([due.recall, due.message]) == [("completed", ""), ("completed", "")]
        assert (due.message.sent_at, due.message.may_have_left) == (due.noon, False)


class TestWhatIsToldWhenNobodyKnew:
    @pytest.fixture
    def unknown(self, due) -> Scene:
        way = Remembering(troubles=[hung_up()], honours_keys=False)
        send_due(due.noon, way)
        assert statuses([due.recall, due.message]) == UNKNOWN
        return due

    def test_it_failed_so_the_next_way_is_tried(self, unknown, way):
        tell(unknown, "failed", at=unknown.noon + HOUR)
        send_due(unknown.noon + HOUR, way)
        assert way.addresses == ["second@example.org"]
        assert unknown.recall.status == "completed"
        assert first_and_second(unknown)[0].status_reason == "failed"

    def test_it_failed_and_there_is_no_other_way(self, unknown):
        say(unknown.patient.contact_points.get(rank=2), "withdrawn", at=unknown.noon)
        tell(unknown, "failed", at=unknown.noon + HOUR)
        assert statuses([unknown.recall]) == [("on-hold", "unreachable")]

    def test_it_arrived(self, unknown, way):
        tell(unknown, "delivered", at=unknown.noon + HOUR)
        message = unknown.message
        assert statuses([unknown.recall, message]) == [("completed", ""), ("completed", "")]
        assert message.sent_at == message.delivered_at == unknown.noon + HOUR
        open_due(unknown.noon + 2 * HOUR)
        assert send_due(unknown.noon + 2 * HOUR, way) == {}


class TestWhatIsToldOfOneThatWasPutAside:
    """The patient opted out while nobody knew; the planner ended the message as not done."""

    @pytest.fixture
    def aside(self, due) -> Scene:
        send_due(due.noon, Remembering(troubles=[hung_up()]))
        say(due.point, "withdrawn", at=due.noon)
        open_due(due.noon + SECOND)
        assert statuses([due.recall]) == UNKNOWN[:1]
        assert (due.message.status, due.message.may_have_left) == ("not-done", True)
        return due

    def test_it_arrived(self, aside, way):
        tell(aside, "delivered", at=aside.noon + HOUR)
        assert statuses([aside.recall, aside.message]) == [
            ("completed", ""),
            ("not-done", "opted_out"),
        ]
        assert (aside.message.sent_at, aside.message.may_have_left) == (aside.noon + HOUR, False)
        open_due(aside.noon + 2 * HOUR)
        assert send_due(aside.noon + 2 * HOUR, way) == {}

    def test_it_failed_so_the_next_way_is_tried(self, aside, way):
        tell(aside, "failed", at=aside.noon + HOUR)
        send_due(aside.noon + HOUR, way)
        assert way.addresses == ["second@example.org"]
        assert aside.recall.status == "completed"
        tell(
            aside,
            "failed",
            at=aside.noon + 2 * HOUR,
            name="r-2",
            message=first_and_second(aside)[0],
        )
        assert send_due(aside.noon + 2 * HOUR, way) == {}


def test_one_that_waits_for_another_attempt_and_has_arrived_is_not_sent_again(due, way):
    way.troubles = [hung_up()]
    send_due(due.noon, way)
    tell(due, "delivered", at=due.noon + SECOND)
    try_all(due, way)
    assert way.sent == []
    assert statuses([due.recall, due.message]) == [("completed", ""), ("completed", "")]


def test_one_that_arrived_after_all_takes_the_next_way_back(due, way):
    send_due(due.noon, way)
    message = due.message
    tell(due, "failed", message=message)
    tell(due, "delivered", at=due.noon + SECOND, name="r-2", message=message)
    assert statuses(first_and_second(due)) == [("completed", ""), ("not-done", "superseded")]
    assert send_due(due.noon + HOUR, way) == {}
    assert due.recall.status == "completed"


def test_one_that_arrived_when_the_next_way_was_told_too_stays_as_it_is(due, way):
    send_due(due.noon, way)
    message = due.message
    tell(due, "failed", message=message)
    send_due(due.noon, way)
    tell(due, "delivered", at=due.noon + SECOND, name="r-2", message=message)
    assert statuses(first_and_second(due)) == [("stopped", "failed"), ("completed", "")]


def test_older_news_that_come_later_change_nothing(due, way):
    send_due(due.noon, way)
    tell(due, "delivered", at=due.noon + HOUR)
    tell(due, "failed", at=due.noon, name="r-0")
    assert statuses([due.recall, due.message]) == [("completed", ""), ("completed", "")]


class TestAStepThatAnotherHasFollowed:
    def test_is_not_taken_up_again(self, due, way):
        send_due(due.noon, way)
        message, later = due.message, due.noon + 14 * DAY
        open_due(later)
        assert send_due(later, way) == {"sent": 1}
        tell(due, "failed", at=later, message=message)
        assert statuses([due.recall, due.message]) == [("completed", ""), ("stopped", "failed")]
        assert send_due(later, way) == {}

    def test_nor_one_that_another_follows_within_a_day(self, due, way):
        send_due(due.noon, way)
        tell(due, "failed", at=due.noon + 13 * DAY)
        assert due.recall.status == "completed"
        assert Message.objects.filter(recall=due.recall).count() == 1

    def test_control_until_then_it_is(self, due, way):
        send_due(due.noon, way)
        tell(due, "failed", at=due.noon + 12 * DAY)
        assert due.recall.status == "active"
        assert len(first_and_second(due)) == 2


def test_a_call_is_never_one(way):
    scene = make_scene(channel="phone", address="+4915112345678")
    open_due(scene.noon)
    message_claim(now=scene.noon)
    send_due(scene.noon + HOUR, way)
    assert statuses([scene.message]) == [("on-hold", "to_call")]
    assert not scene.message.may_have_left
    assert scene.message.channel == Channel.PHONE


class TestOneThatLeftWhileTheCourseRested:
    """A worker had it in hand, the course was put on hold, and goes on later."""

    @pytest.fixture
    def told(self, due) -> Scene:
        claim = message_claim(now=due.noon)
        type(due.course).objects.filter(pk=due.course.pk).update(status="on-hold")
        open_due(due.noon)
        assert settle(claim=claim, outcome=SENT, now=due.noon)
        assert [one[0] for one in statuses([due.recall, due.message])] == ["revoked", "completed"]
        return due

    def go_on(self, scene: Scene) -> None:
        type(scene.course).objects.filter(pk=scene.course.pk).update(status="active")
        open_due(scene.noon + HOUR)

    def test_its_recall_ends_as_told(self, told, way):
        self.go_on(told)
        say(told.point, "withdrawn", at=told.noon + HOUR)
        open_due(told.noon + 2 * HOUR)
        send_due(told.noon + DAY, way)
        assert way.sent == []
        assert Message.objects.filter(recall=told.recall).count() == 1
        assert statuses([told.recall]) == [("completed", "")]
