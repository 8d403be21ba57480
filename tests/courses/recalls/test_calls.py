"""Calls: a task for the front desk instead of a sending."""

from datetime import timedelta

import pytest

from clinics.errors import NotAllowed
from clinics.vocabulary import Role
from core.errors import Stale
from courses.channels import TemporaryTrouble
from courses.errors import CallNotOpen, MessageUnknown, RecallUnknown
from courses.models import Message, Recall
from courses.services.recalls.desk import call_record, outcome_record, recall_withdraw
from courses.timing.words import CallOutcome, FoundOut
from tests.support.courses import make_appointment, make_contact_point, say
from tests.support.factories import make_actor, make_clinic
from tests.support.recalls import Remembering, Scene, make_scene, open_due, send_due, statuses

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
PHONE = {"channel": "phone", "address": "+4915112345678"}


@pytest.fixture
def calling(db) -> Scene:
    """A patient to be called, on the front desk's list by now."""
    scene = make_scene(**PHONE)
    open_due(scene.closes_at)
    send_due(scene.noon)
    return scene


@pytest.fixture
def desk(calling):
    return make_actor(Role.FRONT_DESK, clinic=calling.ward.clinic)


def record(scene, desk, outcome, *, now=None, **more):
    return call_record(
        message_id=scene.message.pk, outcome=outcome, actor=desk, now=now or scene.noon, **more
    )


def test_waits_for_the_front_desk_when_due(calling, way):
    message = calling.message
    assert statuses([message]) == [("on-hold", "to_call")]
    assert (message.attempt, message.lease_until) == (0, None)
    assert calling.recall.status == "active"
    assert send_due(calling.noon + DAY, way) == {}


def test_not_before_it_is_due(db):
    scene = make_scene(**PHONE)
    open_due(scene.closes_at)
    send_due(scene.closes_at)
    assert scene.message.status == "preparation"


def test_reached(calling, desk):
    record(calling, desk, CallOutcome.REACHED)
    message = calling.message
    assert (message.status, message.sent_at, message.attempt) == ("completed", calling.noon, 1)
    assert calling.recall.status == "completed"


def test_not_reached_comes_back_tomorrow(calling, desk):
    record(calling, desk, CallOutcome.NOT_REACHED)
    message = calling.message
    assert statuses([message]) == [("preparation", "not_reached")]
    assert message.due_at == calling.closes_at + DAY + timedelta(hours=10)
    send_due(message.due_at)
    assert statuses([calling.message]) == [("on-hold", "to_call")]
    assert calling.message.attempt == 1


def test_after_three_calls_the_next_way_is_tried(calling, desk, way):
    other = make_contact_point(calling.patient, rank=2)
    for number in range(3):
        now = calling.noon + number * DAY
        send_due(now)
        call_record(
            message_id=Message.objects.get(recall=calling.recall, channel="phone").pk,
            outcome=CallOutcome.NOT_REACHED,
            actor=desk,
            now=now,
        )
    assert statuses([Message.objects.get(recall=calling.recall, channel="phone")]) == [
        ("stopped", "not_reached")
    ]
    send_due(calling.noon + 3 * DAY, way)
    assert way.addresses == [other.address]


def test_three_calls_and_no_other_way_leave_the_recall_on_hold(calling, desk):
    for number in range(3):
        send_due(calling.noon + number * DAY)
        record(calling, desk, CallOutcome.NOT_REACHED, now=calling.noon + number * DAY)
    assert statuses([calling.recall]) == [("on-hold", "unreachable")]


class TestWhatIsNotToBeCalledAnyMore:
    def test_booked(self, calling):
        make_appointment(calling.ward, calling.closes_at + 10 * DAY)
        open_due(calling.noon)
        assert statuses([calling.recall, calling.message]) == [
            ("revoked", "booked"),
            ("not-done", "booked"),
        ]

    def test_opted_out(self, calling):
        say(calling.point, "withdrawn", at=calling.noon)
        open_due(calling.noon)
        assert statuses([calling.recall, calling.message]) == [
            ("on-hold", "no_contact_point"),
            ("not-done", "opted_out"),
        ]

    def test_the_next_step_is_near(self, calling):
        open_due(calling.closes_at + 13 * DAY + timedelta(hours=11))
        assert statuses([calling.recall, calling.message]) == [
            ("revoked", "superseded"),
            ("not-done", "superseded"),
        ]

    def test_a_call_that_is_wanted_stays(self, calling):
        open_due(calling.noon + DAY)
        assert calling.message.status == "on-hold"


class TestWhoMayRecord:
    def test_a_technician_may_not(self, calling):
        operator = make_actor(Role.LASER_OPERATOR, clinic=calling.ward.clinic)
        with pytest.raises(NotAllowed):
            record(calling, operator, CallOutcome.REACHED)
        assert calling.message.status == "on-hold"

    def test_the_desk_of_another_clinic_may_not(self, calling):
        elsewhere = make_actor(Role.FRONT_DESK, clinic=make_clinic(calling.ward.chain))
        with pytest.raises(NotAllowed):
            record(calling, elsewhere, CallOutcome.REACHED)

    def test_another_chain_knows_of_nothing(self, calling):
        stranger = make_actor(Role.FRONT_DESK)
        with pytest.raises(MessageUnknown):
            record(calling, stranger, CallOutcome.REACHED)
        with pytest.raises(RecallUnknown):
            recall_withdraw(
                recall_id=calling.recall.pk, reason="x", actor=stranger, now=calling.noon
            )

    def test_an_older_version_is_stale(self, calling, desk):
        with pytest.raises(Stale):
            record(calling, desk, CallOutcome.REACHED, expected_version=1)

    def test_a_call_that_was_made_is_not_made_again(self, calling, desk):
        record(calling, desk, CallOutcome.REACHED)
        with pytest.raises(CallNotOpen):
            record(calling, desk, CallOutcome.REACHED)

    def test_an_e_mail_is_no_call(self, scene):
        open_due(scene.closes_at)
        desk = make_actor(Role.FRONT_DESK, clinic=scene.ward.clinic)
        with pytest.raises(CallNotOpen):
            record(scene, desk, CallOutcome.REACHED)


class TestWithdrawing:
    def withdraw(self, scene, actor, reason="asked on the phone"):
        return recall_withdraw(
            recall_id=scene.recall.pk, reason=reason, actor=actor, now=scene.noon
        )

    def test_ends_the_recall_and_what_waits(self, calling, desk):
        self.withdraw(calling, desk)
        assert statuses([calling.recall, calling.message]) == [
            ("revoked", "asked on the phone"),
            ("not-done", "withdrawn"),
        ]

    def test_twice_is_once(self, calling, desk):
        first = self.withdraw(calling, desk)
        again = self.withdraw(calling, desk, reason="another")
        assert (again.version, again.status_reason) == (first.version, "asked on the phone")

    def test_what_was_told_was_told(self, calling, desk):
        record(calling, desk, CallOutcome.REACHED)
        self.withdraw(calling, desk)
        assert (calling.recall.status, calling.message.status) == ("completed", "completed")
        assert calling.recall.withdrawn_by_id == desk.staff_id

    def test_also_one_that_nobody_can_be_reached_for(self, db):
        scene = make_scene(consented_at=None)
        open_due(scene.closes_at)
        desk = make_actor(Role.FRONT_DESK, clinic=scene.ward.clinic)
        self.withdraw(scene, desk)
        assert Recall.objects.get().status == "revoked"


class TestWhatTheFrontDeskFoundOut:
    @pytest.fixture
    def unknown(self, db) -> Scene:
        scene = make_scene()
        make_contact_point(scene.patient, address="second@example.org", rank=2)
        open_due(scene.noon)
        hung_up = TemporaryTrouble("mail_server_trouble", may_have_left=True)
        send_due(scene.noon, Remembering(troubles=[hung_up], honours_keys=False))
        assert statuses([scene.recall]) == [("on-hold", "outcome_unknown")]
        return scene

    def found(self, scene: Scene, found: FoundOut) -> Message:
        desk = make_actor(Role.FRONT_DESK, clinic=scene.ward.clinic)
        now = scene.noon + timedelta(hours=1)
        return outcome_record(message_id=scene.message.pk, found=found, actor=desk, now=now)

    def test_who_has_heard_hears_no_more(self, unknown, way):
        message = self.found(unknown, FoundOut.HEARD)
        assert message.sent_at == unknown.noon + timedelta(hours=1)
        assert statuses([unknown.recall, message]) == [("completed", ""), ("completed", "")]
        open_due(unknown.noon + DAY)
        assert send_due(unknown.noon + DAY, way) == {}

    def test_who_has_not_is_told_by_the_next_way(self, unknown, way):
        message = self.found(unknown, FoundOut.NOT_HEARD)
        assert statuses([message]) == [("stopped", "not_reached")]
        open_due(unknown.noon + DAY)
        send_due(unknown.noon + DAY, way)
        assert way.addresses == ["second@example.org"]
        assert unknown.recall.status == "completed"

    def test_without_another_way_the_front_desk_keeps_it(self, unknown):
        say(unknown.patient.contact_points.get(rank=2), "withdrawn", at=unknown.noon)
        self.found(unknown, FoundOut.NOT_HEARD)
        assert statuses([unknown.recall]) == [("on-hold", "unreachable")]
