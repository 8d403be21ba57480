"""A proposal is applied whole or not at all."""

from dataclasses import replace
from datetime import timedelta

import pytest

from clinics.models import Reservation
from core.spans import Span
from courses.errors import DiaryChanged, RowNotUnplaced, StatusStepRefused, UnplacedInTheWay
from courses.models import Appointment, Message, Recall, ReplanRow, WaitingListEntry
from courses.selectors.recalls.verdict import text_of
from courses.selectors.replanning.outages import Outage
from courses.services.booking import appointment_book, appointment_cancel, appointment_move
from courses.services.replans import (
    replan_apply,
    replan_settle,
    replan_solve_again,
)
from courses.services.replans.as_json import visit_of_json
from courses.vocabulary import (
    AppointmentStatus,
    CourseStatus,
    MessageStatus,
    OutageKind,
    RecallKind,
    ReplanRowStatus,
    ReplanStatus,
    UnplacedChoice,
)
from tests.support.booking import NOW, fit_handpiece, make_running_course
from tests.support.race import half_written, overlaps
from tests.support.recalls import Remembering, send_due
from tests.support.replans import DAY, Broken, ask, book_visits, rows_of, solve

pytestmark = pytest.mark.django_db

TEN = DAY + timedelta(hours=2)


@pytest.fixture
def replan(broken):
    made = ask(broken)
    solve(made)
    return made


def apply(replan, broken, **changes):
    return replan_apply(replan_id=replan.pk, actor=broken.desk, now=NOW, **changes)


def diary():
    """Everything that applying may change."""
    return (
        list(Appointment.objects.order_by("pk").values()),
        list(Reservation.objects.order_by("source", "resource", "period").values("id", "period")),
        list(ReplanRow.objects.order_by("pk").values("status", "recall")),
        Recall.objects.count(),
    )


def refused(replan, broken, **changes):
    before = diary()
    with pytest.raises(DiaryChanged) as caught:
        apply(replan, broken, **changes)
    assert diary() == before
    replan.refresh_from_db()
    assert replan.status == ReplanStatus.PROPOSED
    return [(one["appointment"], one["code"]) for one in caught.value.data["changes"]]


def test_every_visit_is_where_it_was_proposed_with_its_reservations(replan, broken):
    apply(replan, broken)
    for row in ReplanRow.objects.all():
        one = Appointment.objects.get(pk=row.appointment_id)
        assert one.starts_at == visit_of_json(row.new, timeline=one.timeline).starts_at
        assert one.laser_id == row.new["laser"]
        assert row.status == ReplanRowStatus.MOVED
    assert overlaps() == 0
    assert half_written() == 0
    replan.refresh_from_db()
    assert (replan.status, replan.applied_at) == (ReplanStatus.APPLIED, NOW)


def test_it_is_not_applied_twice(replan, broken):
    apply(replan, broken)
    before = diary()
    with pytest.raises(StatusStepRefused):
        apply(replan, broken)
    assert diary() == before


def test_a_slot_that_was_booked_meanwhile_refuses_all(replan, broken):
    row = rows_of(replan.runs.get())[1]
    visit = visit_of_json(row.new, timeline=broken.appointments[1].timeline)
    other = make_running_course(broken.stage.clinic)
    appointment_book(course_id=other.pk, visit=visit, actor=broken.desk, now=NOW)
    assert refused(replan, broken) == [(row.appointment_id, "slot_taken")]


def test_everything_that_has_changed_is_named(replan, broken):
    gone, moved, stopped = broken.appointments
    appointment_cancel(appointment_id=gone.pk, reason="", actor=broken.desk, now=NOW)
    appointment_move(
        appointment_id=moved.pk,
        visit=broken.stage.visit(TEN + timedelta(days=9)),
        actor=broken.desk,
        now=NOW,
    )
    stopped.course.status = CourseStatus.ON_HOLD
    stopped.course.save()
    assert refused(replan, broken) == [
        (gone.pk, "not_booked"),
        (moved.pk, "changed"),
        (stopped.pk, "course_not_running"),
    ]


def test_a_place_that_is_not_fit_any_more_refuses_all(replan, broken):
    stage = broken.stage
    stage.room.cleared_wavelengths_nm = [532]
    stage.room.save()
    found = refused(replan, broken)
    assert found == [(one.pk, "slot_unfit") for one in broken.appointments]


def test_a_later_visit_booked_meanwhile_is_not_left_too_early(replan, broken):
    row = rows_of(replan.runs.get())[0]
    one = broken.appointments[0]
    shift = visit_of_json(row.new, timeline=one.timeline).starts_at - one.starts_at
    row.new["start"] = (one.starts_at + abs(shift)).isoformat()
    row.save()
    after = one.next_earliest_at + timedelta(hours=10)
    appointment_book(
        course_id=one.course_id, visit=broken.stage.visit(after), actor=broken.desk, now=NOW
    )
    assert (one.pk, "leaves_too_early") in refused(replan, broken)


def test_solved_again_from_what_was_proposed_it_applies(replan, broken):
    row = rows_of(replan.runs.get())[1]
    visit = visit_of_json(row.new, timeline=broken.appointments[1].timeline)
    other = make_running_course(broken.stage.clinic)
    appointment_book(course_id=other.pk, visit=visit, actor=broken.desk, now=NOW)
    before = {one.appointment_id: one.new for one in rows_of(replan.runs.get())}
    replan_solve_again(replan_id=replan.pk, actor=broken.desk, now=NOW)
    run = solve(replan)
    assert (run.number, run.follows) == (2, replan.runs.get(number=1))
    assert {one.appointment_id for one in rows_of(run)} == before.keys()
    apply(replan, broken)
    assert overlaps() == 0


def test_what_was_booked_on_the_broken_since_is_taken_in_when_it_is_solved_again(replan, broken):
    [late] = book_visits(broken.stage, 1, first=TEN + timedelta(hours=4))
    replan_solve_again(replan_id=replan.pk, actor=broken.desk, now=NOW)
    assert late.pk in {row.appointment_id for row in rows_of(solve(replan))}


def test_two_visits_change_places(replan, broken):
    one, other, third = rows_of(replan.runs.get())
    one.new, other.new = other.old, one.old
    third.new = third.old
    for row in (one, other, third):
        row.save()
    apply(replan, broken)
    first, second, last = (Appointment.objects.get(pk=a.pk) for a in broken.appointments)
    assert (first.starts_at, second.starts_at) == (TEN + timedelta(minutes=30), TEN)
    assert last.starts_at == broken.appointments[2].starts_at
    assert overlaps() == 0
    assert half_written() == 0
    told = Recall.objects.filter(kind=RecallKind.CHANGE).values_list("appointment", flat=True)
    assert {*told} == {first.pk, second.pk}


def test_with_a_changeover_what_is_proposed_applies_too(stage, second):
    """Another laser, with two handpieces, is booked at ten with one of them."""
    stage.chain.search_policy = {"changeover_minutes": 15}
    stage.chain.save()
    tips = [fit_handpiece(second), *second.fittings.values_list("handpiece", flat=True)]
    there = replace(
        stage.visit(TEN), place=stage.place(laser_id=second.pk, handpiece_ids=(tips[0].pk,))
    )
    course = make_running_course(stage.clinic)
    appointment_book(course_id=course.pk, visit=there, actor=stage.desk, now=NOW)
    broken = Broken(stage, book_visits(stage, 4, first=TEN + timedelta(minutes=30)))
    made = ask(broken)
    assert solve(made).answer["placed"] == 4
    apply(made, broken)
    assert made.runs.get().policy["changeover_minutes"] == 15
    assert overlaps() == 0


def test_patients_are_told_once_with_the_new_time(replan, broken):
    apply(replan, broken)
    assert Message.objects.filter(recall__kind=RecallKind.CHANGE).count() == 3
    way = Remembering()
    for _ in range(2):
        send_due(NOW, way)
    assert len(way.sent) == len({key for key, *_ in way.sent}) == 3
    recall = Recall.objects.filter(kind=RecallKind.CHANGE).select_related("appointment")[0]
    assert f"{recall.appointment.starts_at:%H:%M}" in text_of(recall.messages.get()).body
    assert "new time" in text_of(recall.messages.get()).subject
    told = Message.objects.filter(recall__kind=RecallKind.CHANGE)
    assert {*told.values_list("status", flat=True)} == {MessageStatus.COMPLETED}


def test_a_message_about_a_visit_that_was_moved_on_is_not_sent(replan, broken):
    apply(replan, broken)
    one = broken.appointments[0]
    appointment_move(
        appointment_id=one.pk,
        visit=broken.stage.visit(TEN + timedelta(days=20)),
        actor=broken.desk,
        now=NOW,
    )
    send_due(NOW)
    message = Message.objects.get(recall__appointment=one, recall__kind=RecallKind.CHANGE)
    assert (message.status, message.status_reason) == ("not-done", "appointment_moved")


@pytest.fixture
def left_out(stage):
    """The only person is away for weeks; one visit is at a time that another would be given."""
    broken = Broken(stage, book_visits(stage, 2))
    away = Outage(OutageKind.OPERATOR, stage.operator.pk, Span(NOW, DAY + timedelta(days=60)))
    made = ask(broken, away, days=14)
    solve(made)
    return broken, made


def test_who_has_no_slot_is_listed_with_why_and_stays_as_it_is(left_out):
    broken, made = left_out
    rows = rows_of(made.runs.get())
    assert [row.status for row in rows] == [ReplanRowStatus.UNPLACED] * 2
    assert all(row.reasons and row.reasons[0]["detail"] for row in rows)
    before = list(Appointment.objects.order_by("pk").values())
    apply(made, broken)
    assert list(Appointment.objects.order_by("pk").values()) == before


@pytest.mark.parametrize(
    ("choice", "status", "waiting"),
    [
        (UnplacedChoice.CANCEL, ReplanRowStatus.CANCELLED, 0),
        (UnplacedChoice.WAITING_LIST, ReplanRowStatus.WAITING, 2),
    ],
)
def test_who_has_no_slot_is_cancelled_or_waits_by_choice(left_out, choice, status, waiting):
    broken, made = left_out
    apply(made, broken, unplaced=choice, reason="nobody to treat")
    assert {row.status for row in rows_of(made.runs.get())} == {status}
    assert {*Appointment.objects.values_list("status", flat=True)} == {AppointmentStatus.CANCELLED}
    assert not Reservation.objects.exists()
    assert WaitingListEntry.objects.count() == waiting


def test_they_are_settled_one_by_one_too(left_out):
    broken, made = left_out
    one, other = broken.appointments

    def settle(*ids, choice):
        return replan_settle(
            replan_id=made.pk,
            appointment_ids=ids,
            choice=choice,
            reason="by phone",
            actor=broken.desk,
            now=NOW,
        )

    settle(one.pk, choice=UnplacedChoice.WAITING_LIST)
    with pytest.raises(RowNotUnplaced):
        settle(one.pk, other.pk, choice=UnplacedChoice.CANCEL)
    other.refresh_from_db()
    assert other.status == AppointmentStatus.BOOKED
    apply(made, broken)
    settle(other.pk, choice=UnplacedChoice.CANCEL)
    assert [row.status for row in rows_of(made.runs.get())] == ["waiting", "cancelled"]


def test_who_keeps_time_that_others_are_given_must_be_settled_first(replan, broken):
    one, other, third = rows_of(replan.runs.get())
    one.status, one.new, one.reasons = "unplaced", None, [{"code": "x", "detail": "", "data": {}}]
    ReplanRow.objects.filter(pk=one.pk).delete()
    one.pk = None
    one.save(force_insert=True)
    other.new, third.new = one.old, other.old
    other.save()
    third.save()
    before = diary()
    with pytest.raises(UnplacedInTheWay) as caught:
        apply(replan, broken)
    assert caught.value.data["unplaced"] == [
        {"appointment": one.appointment_id, "gives_way_to": [other.appointment_id]}
    ]
    assert diary() == before
    apply(replan, broken, unplaced=UnplacedChoice.CANCEL, reason="no slot")
    assert overlaps() == 0
    assert Appointment.objects.get(pk=other.appointment_id).starts_at == TEN
