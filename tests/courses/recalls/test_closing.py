"""When a window closes: what appears, for whom, due when; and what does not."""

from datetime import datetime, time, timedelta

import pytest

from courses.models import Course, HealingWindow, Message, Recall, RecallPlan
from courses.vocabulary import AppointmentStatus, CourseStatus, WindowState
from tests.support.courses import (
    make_appointment,
    make_contact_point,
    make_course,
    make_observation,
    make_session,
    make_tattoo,
    make_ward,
    make_window,
)
from tests.support.factories import make_clinic
from tests.support.recalls import TREATED_AT, make_scene, open_due, send_due, statuses

pytestmark = pytest.mark.django_db
A_SECOND = timedelta(seconds=1)


def test_closes_the_window_and_invites_in_one_go(scene):
    assert open_due(scene.closes_at)["closed"] == 1
    window = HealingWindow.objects.get(pk=scene.window.pk)
    assert window.state == WindowState.CLOSED
    recall, message = scene.recall, scene.message
    assert (recall.kind, recall.status, recall.window_id) == ("invitation", "active", window.pk)
    assert recall.occasion == f"window:{window.pk}:{window.earliest_on}"
    assert (message.status, message.channel, message.attempt) == ("preparation", "email", 0)
    assert message.contact_point == scene.point


def test_the_closing_is_a_version_of_its_own(scene):
    before = scene.window.number
    open_due(scene.closes_at)
    window = HealingWindow.objects.get(pk=scene.window.pk)
    newest = window.versions.get(number=window.number)
    assert window.number == before + 1
    assert (newest.state, newest.cause) == ("closed", "clock")


def test_the_window_does_not_close_before_its_time(scene):
    assert open_due(scene.closes_at - A_SECOND)["closed"] == 0


def test_a_second_tick_changes_nothing(scene):
    open_due(scene.closes_at)
    version = HealingWindow.objects.get(pk=scene.window.pk).version
    assert set(open_due(scene.closes_at).values()) == {0}
    assert Recall.objects.count() == Message.objects.count() == 1
    assert HealingWindow.objects.get(pk=scene.window.pk).version == version


@pytest.mark.parametrize(
    ("zone", "treated", "due"),
    [
        ("Europe/Berlin", "2026-01-12T10:00+01:00", "2026-02-23T10:00+01:00"),
        ("America/Toronto", "2026-01-12T10:00-05:00", "2026-02-23T10:00-05:00"),
        # 42 days on, the clocks have changed.
        ("Europe/Berlin", "2026-02-15T10:00+01:00", "2026-03-29T10:00+02:00"),
        ("Europe/Berlin", "2026-09-13T10:00+02:00", "2026-10-25T10:00+01:00"),
    ],
)
def test_due_at_ten_at_the_clinic_on_the_closing_day(zone, treated, due):
    scene = make_scene(
        make_ward(clinic=make_clinic(time_zone=zone)), treated_at=datetime.fromisoformat(treated)
    )
    open_due(scene.closes_at)
    assert scene.recall.due_at == datetime.fromisoformat(due)
    assert scene.message.due_at == scene.recall.due_at


def test_moved_out_of_quiet_hours_where_the_patient_is():
    scene = make_scene(
        make_ward(clinic=make_clinic(time_zone="Europe/Berlin")),
        time_zone="America/Toronto",
        quiet_from=time(21),
        quiet_until=time(7, 30),
    )
    open_due(scene.closes_at)
    # 10:00 in Berlin is 04:00 in Toronto.
    assert scene.recall.due_at == datetime.fromisoformat("2026-02-23T10:00+01:00")
    assert scene.message.due_at == datetime.fromisoformat("2026-02-23T07:30-05:00")


def test_a_late_tick_says_when_it_was_due(scene):
    late = scene.closes_at + timedelta(days=3)
    open_due(late)
    assert scene.message.due_at == scene.recall.due_at == scene.closes_at + timedelta(hours=10)


def test_a_late_text_message_waits_for_the_morning(way):
    scene = make_scene(channel="sms", address="+4915112345678")
    late = scene.closes_at + timedelta(days=1, hours=23)
    open_due(late)
    send_due(late, way)
    assert way.sent == []
    assert statuses([scene.message]) == [("preparation", "quiet_hours")]
    assert scene.message.due_at == scene.closes_at + timedelta(days=2, hours=8)


def test_a_booked_visit_is_reminded_of_instead(scene):
    visit = make_appointment(scene.ward, scene.closes_at + timedelta(days=10, hours=14))
    open_due(scene.closes_at)
    recall = scene.recall
    assert scene.steps == [("three-days-before", "active"), ("one-day-before", "active")]
    assert (recall.kind, recall.appointment) == ("reminder", visit)
    assert recall.due_at == scene.closes_at + timedelta(days=7, hours=10)


def test_a_hold_is_no_booking(scene):
    make_appointment(
        scene.ward,
        scene.closes_at + timedelta(days=10),
        status=AppointmentStatus.PROPOSED,
        hold_expires_at=scene.closes_at + timedelta(minutes=20),
    )
    open_due(scene.closes_at)
    assert scene.recall.kind == "invitation"


def test_a_visit_that_was_forgotten_long_ago_does_not_count(scene):
    make_appointment(scene.ward, scene.closes_at - timedelta(days=30))
    open_due(scene.closes_at)
    assert scene.recall.kind == "invitation"


def test_yesterdays_visit_counts_until_somebody_says_how_it_went(scene):
    make_appointment(scene.ward, scene.closes_at - timedelta(hours=14))
    open_due(scene.closes_at)
    assert not Recall.objects.exists()


def test_a_course_on_hold_calls_nobody(scene):
    type(scene.course).objects.update(status=CourseStatus.ON_HOLD)
    assert open_due(scene.closes_at)["closed"] == 1
    assert not Recall.objects.exists()


def test_an_ended_course_calls_nobody(scene):
    type(scene.course).objects.update(status="completed", end_reason="goal_reached")
    assert open_due(scene.closes_at)["closed"] == 1
    assert not Recall.objects.exists()


@pytest.mark.parametrize("field", ["deceased", "gold_therapy_ever"])
def test_nobody_writes_to_the_dead_or_to_skin_that_is_never_treated(scene, field):
    type(scene.patient).objects.update(**{field: True})
    open_due(scene.closes_at)
    assert not Recall.objects.exists()


def test_what_has_not_healed_holds_the_window_instead(scene):
    make_observation(scene.window.session, kind="infection_sign")
    assert open_due(scene.closes_at)["closed"] == 0
    assert HealingWindow.objects.get(pk=scene.window.pk).state == WindowState.HELD
    assert not Recall.objects.exists()


def test_an_observation_nobody_told_the_window_of_moves_it_first(scene):
    healed = scene.window.session.treated_on + timedelta(days=30)
    make_observation(scene.window.session, kind="crust", resolved_on=healed)
    assert open_due(scene.closes_at)["closed"] == 0
    window = HealingWindow.objects.get(pk=scene.window.pk)
    assert (window.state, window.closes_at > scene.closes_at) == (WindowState.OPEN, True)
    assert scene.steps == []


def test_the_last_of_several_windows_invites():
    ward = make_ward()
    other = make_tattoo(ward.course.patient)
    ward.course.tattoos.add(other)
    scene = make_scene(ward)
    later = make_window(make_session(ward, TREATED_AT + timedelta(days=9), parts=other.parts.all()))
    open_due(scene.closes_at)
    assert set(Recall.objects.values_list("window", "step")) == {
        (later.pk, "before-closing"),
        (later.pk, "window-closed"),
    }
    open_due(later.closes_at)
    assert scene.recall.window == later


def test_windows_that_close_at_once_invite_once():
    ward = make_ward()
    other = make_tattoo(ward.course.patient)
    ward.course.tattoos.add(other)
    scene = make_scene(ward)
    make_window(make_session(ward, TREATED_AT + timedelta(hours=1), parts=other.parts.all()))
    assert open_due(scene.closes_at)["closed"] == 2
    assert Recall.objects.count() == 1


def test_an_older_window_of_the_same_skin_calls_nobody(scene):
    newer = make_window(make_session(scene.ward, TREATED_AT + timedelta(days=20)))
    open_due(scene.closes_at)
    assert set(Recall.objects.values_list("window", flat=True)) <= {newer.pk}
    open_due(newer.closes_at)
    assert scene.recall.window == newer


class TestWithoutAWayToReachThem:
    @pytest.mark.parametrize(
        "contact",
        [
            {"consented_at": None},
            {"channel": "sms", "address": "+4915112345678", "consented_at": None},
        ],
    )
    def test_the_recall_waits_for_the_front_desk(self, contact):
        scene = make_scene(**contact)
        open_due(scene.closes_at)
        assert statuses([scene.recall]) == [("on-hold", "no_contact_point")]
        assert not Message.objects.exists()

    def test_a_channel_without_a_sender_is_passed_over(self, settings):
        settings.FALLOW_SENDERS = {"email": "outbox"}
        scene = make_scene(channel="sms", address="+4915112345678", rank=1)
        second = make_contact_point(scene.patient, rank=2)
        open_due(scene.closes_at)
        assert scene.message.contact_point == second

    def test_the_first_by_rank_is_taken(self):
        scene = make_scene(rank=2)
        first = make_contact_point(scene.patient, rank=1)
        open_due(scene.closes_at)
        assert scene.message.contact_point == first

    def test_consent_given_later_takes_the_recall_up_again(self):
        scene = make_scene(consented_at=None)
        open_due(scene.closes_at)
        point = make_contact_point(scene.patient)
        assert open_due(scene.noon)["planned"] == 1
        assert statuses([scene.recall]) == [("active", "")]
        assert scene.message.contact_point == point
        assert open_due(scene.noon)["planned"] == 0

    def test_one_that_is_not_wanted_by_then_is_ended(self):
        scene = make_scene(consented_at=None)
        open_due(scene.closes_at)
        make_appointment(scene.ward, scene.closes_at + timedelta(days=20))
        make_contact_point(scene.patient)
        open_due(scene.noon)
        assert statuses([scene.recall]) == [("revoked", "booked")]
        assert not Message.objects.exists()


def test_one_that_cannot_be_done_does_not_hold_up_the_others(scene):
    other = make_scene()
    chain = scene.ward.chain
    chain.healing_policy = {"healing.minimum": {"days": -1}}
    chain.save()
    assert open_due(scene.noon)["closed"] == 1
    assert HealingWindow.objects.get(pk=other.window.pk).state == WindowState.CLOSED
    chain.healing_policy = {}
    chain.save()
    assert open_due(scene.noon)["closed"] == 1


def test_a_second_course_on_the_same_skin_has_steps_of_its_own(scene):
    open_due(scene.closes_at)
    Course.objects.filter(pk=scene.course.pk).update(
        status=CourseStatus.REVOKED, end_reason="another clinic", ended_on="2026-02-23"
    )
    again = make_course(*scene.course.tattoos.all(), clinic=scene.ward.clinic)
    open_due(scene.noon)
    first, second = (
        Recall.objects.filter(course=one).order_by("due_at", "pk") for one in (scene.course, again)
    )
    assert {row.status for row in first} == {"revoked"}
    assert [(row.step, row.occasion) for row in second if row.status == "active"]
    assert {row.occasion for row in second} & {row.occasion for row in first}
    assert not RecallPlan.objects.exclude(failures=0).exists()
