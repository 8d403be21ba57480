"""What a worker looks at again between the claim and the sending, and what it writes."""

from datetime import time, timedelta

import pytest

from clinics.vocabulary import Role
from courses.channels import Refusal, TemporaryTrouble
from courses.models import HealingWindow, Message, Recall, RecallPlan
from courses.selectors.recalls.closed_days import ClosedDaysOfClinics
from courses.services.consents import Said, contact_point_opt_out
from courses.services.observations import observation_record
from courses.services.recalls.claims import message_claim
from courses.services.recalls.sending import message_deliver
from courses.timing.words import ConsentDecision
from courses.vocabulary import AppointmentStatus, Channel, CourseStatus
from tests.support.courses import (
    make_appointment,
    make_contact_point,
    make_session,
    make_ward,
    make_window,
    say,
)
from tests.support.factories import actor_of, make_actor, make_clinic
from tests.support.recalls import Scene, make_scene, open_due, send_due, statuses

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture
def due(scene) -> Scene:
    """The recall is planned and its message due."""
    open_due(scene.closes_at)
    return scene


def refused(scene: Scene) -> list[tuple[str, str]]:
    return statuses([scene.recall, scene.message])


def test_sends_once_and_says_so(due, way):
    assert send_due(due.noon, way) == {"sent": 1}
    message = due.message
    assert (message.status, message.sent_at) == ("completed", due.noon)
    assert (message.provider_reference, message.lease_until) == ("ref-1", None)
    assert due.recall.status == "completed"
    [(key, outgoing, text)] = way.sent
    assert key == f"fallow-message-{message.pk}"
    assert (outgoing.address, outgoing.channel) == (due.point.address, Channel.EMAIL)
    assert due.ward.clinic.name in text.body
    assert send_due(due.noon, way) == {}


def test_not_before_its_time(due, way):
    assert send_due(due.closes_at + timedelta(hours=10) - MINUTE, way) == {}
    assert send_due(due.closes_at + timedelta(hours=10), way) == {"sent": 1}


def test_moved_to_later_since_it_was_claimed(due, way):
    claim = message_claim(now=due.noon)
    later = due.noon + timedelta(hours=3)
    RecallPlan.objects.update(look_at=None)
    Recall.objects.filter(pk=due.recall.pk).update(due_at=later)
    message_deliver(claim=claim, senders={Channel.EMAIL: way}, now=due.noon)
    assert (way.sent, due.message.due_at) == ([], later)
    assert statuses([due.message]) == [("preparation", "not_due")]
    assert send_due(later, way) == {"sent": 1}


def test_booked_meanwhile(due, way):
    make_appointment(due.ward, due.closes_at + timedelta(days=10))
    send_due(due.noon, way)
    assert way.sent == []
    assert refused(due) == [("revoked", "booked"), ("not-done", "booked")]


def test_a_patient_who_is_deciding_is_left_alone_until_then(due, way):
    until = due.noon + 20 * MINUTE
    make_appointment(
        due.ward,
        due.closes_at + timedelta(days=10),
        status=AppointmentStatus.PROPOSED,
        hold_expires_at=until,
    )
    send_due(due.noon, way)
    message = due.message
    assert statuses([message]) == [("preparation", "slot_held")]
    assert (message.due_at, message.attempt) == (until, 0)
    send_due(until, way)
    assert len(way.sent) == 1


def test_course_on_hold_by_then(due, way):
    type(due.course).objects.update(status=CourseStatus.ON_HOLD)
    send_due(due.noon, way)
    assert way.sent == []
    reason = "course_not_running"
    assert refused(due) == [("revoked", reason), ("not-done", reason)]


def test_died_meanwhile(due, way):
    type(due.patient).objects.update(deceased=True)
    send_due(due.noon, way)
    assert way.sent == []
    assert refused(due) == [("revoked", "deceased"), ("not-done", "deceased")]


def test_opted_out_between_the_claim_and_the_sending(due, way):
    claim = message_claim(now=due.noon)
    contact_point_opt_out(
        contact_point_id=due.point.pk,
        said=Said(ConsentDecision.WITHDRAWN, source="by word of mouth"),
        actor=make_actor(Role.FRONT_DESK, chain=due.ward.chain),
        now=due.noon,
    )
    message_deliver(claim=claim, senders={Channel.EMAIL: way}, now=due.noon)
    assert way.sent == []
    assert refused(due) == [("on-hold", "no_contact_point"), ("not-done", "opted_out")]


def test_opted_out_of_one_way_the_next_one_is_tried(due, way):
    other = make_contact_point(due.patient, channel="sms", address="+4915112345678", rank=2)
    say(due.point, "withdrawn", at=due.noon)
    send_due(due.noon, way)
    assert way.addresses == [other.address]
    assert statuses(Message.objects.filter(recall=due.recall).order_by("pk")) == [
        ("not-done", "opted_out"),
        ("completed", ""),
    ]
    assert due.recall.status == "completed"


def test_consent_to_another_purpose_is_none(due, way):
    say(due.point, "withdrawn", "recall", at=due.noon)
    send_due(due.noon, way)
    assert way.sent == []
    assert statuses([due.message]) == [("not-done", "opted_out")]


def test_opted_out_of_another_purpose_only(due, way):
    say(due.point, "withdrawn", "reminder", "aftercare", at=due.noon)
    send_due(due.noon, way)
    assert len(way.sent) == 1


def test_a_channel_that_was_closed(due, way, settings):
    settings.FALLOW_SENDERS = {"sms": "outbox"}
    send_due(due.noon, way)
    assert statuses([due.message]) == [("not-done", "channel_closed")]


class TestAWindowThatIsLongerThanItSeemed:
    @pytest.fixture
    def reopened(self, due) -> Scene:
        """A crust is seen after the closing: the window opens again, to a later date."""
        observation_record(
            course_id=due.course.pk,
            session_id=due.window.session_id,
            fields={
                "kind": "crust",
                "severity": "mild",
                "observed_on": due.noon.date(),
                "resolved_on": due.noon.date(),
                "note": "",
            },
            actor=actor_of(due.ward.operator, *make_actor(Role.LASER_OPERATOR).grants),
            now=due.noon,
        )
        return due

    def test_the_invitation_does_not_go_out(self, reopened, way):
        window = HealingWindow.objects.get(pk=reopened.window.pk)
        assert (window.state, window.closes_at > reopened.closes_at) == ("open", True)
        send_due(reopened.noon, way)
        assert way.sent == []
        assert refused(reopened) == [
            ("revoked", "skin_not_ready"),
            ("not-done", "skin_not_ready"),
        ]

    def test_its_next_closing_invites_anew(self, reopened, way):
        send_due(reopened.noon, way)
        closes_at = HealingWindow.objects.get(pk=reopened.window.pk).closes_at
        open_due(closes_at)
        assert [row.step for row in Recall.objects.exclude(status="revoked")] == ["window-closed"]
        send_due(closes_at + timedelta(hours=12), way)
        assert len(way.sent) == 1

    def test_also_when_no_worker_looked_in_between(self, reopened, way):
        closes_at = HealingWindow.objects.get(pk=reopened.window.pk).closes_at
        open_due(closes_at)
        send_due(closes_at + timedelta(hours=12), way)
        assert len(way.sent) == 1
        told = Recall.objects.filter(step="window-closed").order_by("pk")
        assert statuses(told) == [("revoked", "superseded"), ("completed", "")]


def test_treated_again_meanwhile(due, way):
    make_window(make_session(due.ward, due.closes_at + timedelta(hours=9)))
    send_due(due.noon, way)
    assert way.sent == []
    assert due.recall.status_reason == "skin_not_ready"


def test_a_worker_that_is_late_does_not_write_into_the_night(way):
    scene = make_scene(
        make_ward(clinic=make_clinic(time_zone="Europe/Berlin")),
        quiet_from=time(22),
        quiet_until=time(7),
    )
    open_due(scene.closes_at)
    send_due(scene.closes_at + timedelta(hours=23), way)
    message = scene.message
    assert way.sent == []
    assert statuses([message]) == [("preparation", "quiet_hours")]
    assert message.due_at == scene.closes_at + timedelta(days=1, hours=7)
    assert message.attempt == 0
    send_due(message.due_at, way)
    assert len(way.sent) == 1


class TestWhenItDoesNotLeave:
    def test_it_is_tried_again_after_a_pause(self, due, way):
        way.troubles = [TemporaryTrouble("provider_answered_503")]
        send_due(due.noon, way)
        message = due.message
        assert statuses([message]) == [("preparation", "provider_answered_503")]
        assert due.noon + MINUTE / 2 <= message.due_at <= due.noon + MINUTE * 1.5
        assert message.attempt == 1
        send_due(message.due_at, way)
        assert due.message.status == "completed"

    def test_the_provider_says_when(self, due, way):
        hour = timedelta(hours=1)
        way.troubles = [TemporaryTrouble("provider_answered_429", retry_after=hour)]
        send_due(due.noon, way)
        assert due.message.due_at == due.noon + hour

    def test_the_pause_ends_outside_of_quiet_hours(self, way):
        scene = make_scene(quiet_from=time(12), quiet_until=time(15))
        open_due(scene.closes_at)
        way.troubles = [TemporaryTrouble("provider_answered_503")]
        almost_noon = scene.noon - timedelta(seconds=10)
        send_due(almost_noon, way)
        assert scene.message.due_at == scene.closes_at + timedelta(hours=15)

    def test_five_times_at_most_then_the_next_contact_point(self, due, way):
        other = make_contact_point(due.patient, rank=2)
        way.troubles = [TemporaryTrouble("provider_answered_503") for _ in range(5)]
        now = due.noon
        for _ in range(5):
            send_due(now, way)
            now += timedelta(hours=6)
        first, second = Message.objects.filter(recall=due.recall).order_by("pk")
        assert (first.status, first.attempt) == ("stopped", 5)
        assert first.status_reason == "provider_answered_503"
        assert second.contact_point == other
        send_due(now, way)
        assert way.addresses == [other.address]
        assert due.recall.status == "completed"

    def test_with_no_way_left_the_front_desk_sees_it(self, due, way):
        way.troubles = [Refusal("recipient_refused_550")]
        send_due(due.noon, way)
        assert refused(due) == [("on-hold", "unreachable"), ("stopped", "recipient_refused_550")]

    def test_after_an_error_nobody_foresaw_the_lease_runs_out(self, due, way, settings):
        way.troubles = [ZeroDivisionError()]
        assert send_due(due.noon, way) == {"broken": 1}
        assert due.message.status == "in-progress"
        assert send_due(due.noon + MINUTE, way) == {}
        lease = timedelta(seconds=settings.FALLOW_MESSAGE_LEASE_SECONDS)
        assert send_due(due.noon + lease, way) == {"sent": 1}

    def test_nothing_personal_is_logged(self, due, way, caplog):
        way.troubles = [TemporaryTrouble("provider_answered_503"), Refusal("provider_refused_400")]
        send_due(due.noon, way)
        send_due(due.message.due_at, way)
        logged = caplog.text
        assert "provider_refused_400" in logged
        for private in (due.point.address, due.patient.given_name, due.patient.family_name):
            assert private not in logged


def test_a_message_costs_few_queries(due, way, django_assert_max_num_queries):
    open_due(due.noon)
    closed = ClosedDaysOfClinics(now=due.noon)
    closed(due.ward.clinic.pk, due.noon.date())
    with django_assert_max_num_queries(21):
        claim = message_claim(now=due.noon)
        message_deliver(claim=claim, senders={Channel.EMAIL: way}, now=due.noon, closed=closed)
    assert len(way.sent) == 1
