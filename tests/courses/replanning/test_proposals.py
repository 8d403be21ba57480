"""What a run proposes for the visits that outages hit, and why it leaves some out."""

from datetime import datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clinics.models import Reservation
from core.spans import Span
from courses.models import Course
from courses.selectors.replanning.outages import Outage, broken_by, hits_of
from courses.services.booking import Hold, appointment_book
from courses.services.replans.solving import _task
from courses.slots import TimeWish
from courses.vocabulary import CourseStatus, OutageKind, ReplanRowStatus, ReplanStatus, TaskStatus
from tests.support.booking import NOW, fit_handpiece, make_running_course, make_stage
from tests.support.factories import make_actor, make_clinic, make_opening_week
from tests.support.frontdesk import treat, wait
from tests.support.replans import DAY, WHOLE_DAY, Broken, ask, book_visits, rows_of, solve

pytestmark = pytest.mark.django_db

TEN = DAY + timedelta(hours=2)


def starts(run):
    return [datetime.fromisoformat(row.new["start"]) for row in rows_of(run) if row.new]


def codes(row):
    return [reason["code"] for reason in row.reasons]


def test_every_visit_that_is_hit_gets_a_new_slot_and_the_old_one_is_kept_beside_it(broken):
    replan = ask(broken)
    assert (replan.status, replan.hits) == (ReplanStatus.PLANNING, 3)
    run = solve(replan)
    assert (run.status, replan.status) == (TaskStatus.COMPLETED, ReplanStatus.PROPOSED)
    rows = rows_of(run)
    assert [row.status for row in rows] == [ReplanRowStatus.PLACED] * 3
    assert [row.appointment_id for row in rows] == [one.pk for one in broken.appointments]
    assert all(row.new["start"] != row.old["start"] for row in rows)
    assert not any(WHOLE_DAY.contains(start) for start in starts(run))
    assert (run.answer["status"], run.answer["gap"], run.answer["placed"]) == ("optimal", 0, 3)


def test_with_a_second_laser_everyone_comes_within_half_an_hour_of_the_old_time(broken, second):
    run = solve(ask(broken))
    old = [one.starts_at for one in broken.appointments]
    assert all(abs(new - was).seconds < 1800 for new, was in zip(starts(run), old, strict=True))
    assert {row.new["laser"] for row in rows_of(run)} == {second.pk}


def test_the_same_seed_gives_the_same_plan(broken):
    first, again = (solve(ask(broken, seed=5)) for _ in range(2))
    assert [row.new for row in rows_of(first)] == [row.new for row in rows_of(again)]


@pytest.mark.parametrize("kind", list(OutageKind))
def test_whatever_is_away_its_visits_are_hit_and_none_is_put_into_that_time(broken, second, kind):
    stage = broken.stage
    subject = {
        OutageKind.LASER: stage.laser,
        OutageKind.OPERATOR: stage.operator,
        OutageKind.ROOM: stage.room,
        OutageKind.HANDPIECE: stage.handpiece,
        OutageKind.CLINIC: stage.clinic,
    }[kind]
    run = solve(ask(broken, Outage(kind, subject.pk, WHOLE_DAY)))
    rows = rows_of(run)
    assert [row.status for row in rows] == [ReplanRowStatus.PLACED] * 3
    for row, start in zip(rows, starts(run), strict=True):
        there = row.new[kind] if kind != OutageKind.HANDPIECE else row.new["handpieces"][0]
        assert there != subject.pk or not WHOLE_DAY.contains(start)


def test_several_outages_are_one_plan(stage, second):
    here = book_visits(stage, 2)
    broken = Broken(stage, here)
    later = Span(DAY + timedelta(days=1), DAY + timedelta(days=2))
    book_visits(stage, 1, first=TEN + timedelta(days=1))
    outages = [broken.outage(), Outage(OutageKind.CLINIC, stage.clinic.pk, later)]
    run = solve(ask(broken, *outages))
    assert len(starts(run)) == 3
    assert not any(later.contains(start) for start in starts(run))


def test_only_what_overlaps_is_hit_and_holds_are_shown_but_not_moved(broken):
    stage = broken.stage
    course = make_running_course(stage.clinic)
    appointment_book(
        course_id=course.pk,
        visit=stage.visit(TEN + timedelta(hours=3)),
        actor=stage.desk,
        now=NOW,
        hold=Hold(20),
    )
    until = Span(DAY, TEN + timedelta(minutes=30))
    [hit] = hits_of(broken_by([broken.outage(until)], actor=stage.desk), actor=stage.desk, now=NOW)
    assert hit.appointment == broken.appointments[0]
    hits = hits_of(broken_by([broken.outage()], actor=stage.desk), actor=stage.desk, now=NOW)
    assert [hit.movable for hit in hits] == [True, True, True, False]


def test_nobody_comes_before_the_window_closes(stage):
    """The laser is free on the two days before; only after them has the skin healed."""
    course = make_running_course(stage.clinic)
    window = treat(stage, TEN - timedelta(days=42), course=course)
    broken = Broken(
        stage,
        [appointment_book(course_id=course.pk, visit=stage.visit(TEN), actor=stage.desk, now=NOW)],
    )
    run = solve(ask(broken))
    assert starts(run)[0] >= window.closes_at
    away = broken.outage(Span(DAY, DAY + timedelta(days=60)))
    run = solve(ask(broken, away, days=28))
    [row] = rows_of(run)
    assert row.status == ReplanRowStatus.UNPLACED
    assert codes(row)


def test_sessions_of_one_course_keep_their_distance(stage):
    course = make_running_course(stage.clinic)
    first, later = (
        appointment_book(
            course_id=course.pk,
            visit=stage.visit(TEN + timedelta(days=d)),
            actor=stage.desk,
            now=NOW,
        )
        for d in (0, 50)
    )
    broken = Broken(stage, [first, later])
    span = Span(DAY, DAY + timedelta(days=4))
    until = Span(DAY + timedelta(days=49), DAY + timedelta(days=53))
    one, other = starts(solve(ask(broken, broken.outage(span), broken.outage(until))))
    assert (other.date() - one.date()).days >= 42
    [alone] = starts(solve(ask(broken, broken.outage(span))))
    assert (later.starts_at.date() - alone.date()).days >= 42


def test_notice_is_given_but_not_for_a_visit_that_keeps_its_time(broken, second):
    """The other laser is away at the time that the first visit has."""
    Reservation.objects.create(
        resource=second.resource,
        period=(TEN, TEN + timedelta(minutes=30)),
        reason="service",
        source="absence:0",
    )
    run = solve(ask(broken, notice_hours=72), now=TEN - timedelta(hours=2))
    first, *others = starts(run)
    assert others == [one.starts_at for one in broken.appointments[1:]]
    assert first >= TEN - timedelta(hours=2) + timedelta(hours=72)


def test_nobody_is_told_too_late_of_a_new_time(broken):
    run = solve(ask(broken, notice_hours=48))
    assert all(start >= NOW + timedelta(hours=48) for start in starts(run))


def test_who_waits_with_wishes_is_given_what_they_wish(broken):
    course = broken.appointments[0].course
    wait(broken.stage, course, wishes=[TimeWish(weekdays=frozenset({2}))])
    first, *_ = starts(solve(ask(broken)))
    assert first.isoweekday() == 2


def test_other_clinics_are_used_when_they_are_named(stage):
    broken = Broken(stage, book_visits(stage, 2))
    other = make_clinic(stage.chain, country="")
    make_opening_week(other)
    make_stage(clinic=other, days=40)
    away = Outage(OutageKind.CLINIC, stage.clinic.pk, Span(NOW, DAY + timedelta(days=50)))
    rows = rows_of(solve(ask(broken, away, days=20)))
    assert {row.status for row in rows} == {ReplanRowStatus.UNPLACED}
    assert all(codes(row) for row in rows)
    manager = make_actor(chain=stage.chain)
    rows = rows_of(solve(ask(broken, away, days=20, clinic_ids=[other.pk], actor=manager)))
    assert {row.new["clinic"] for row in rows} == {other.pk}


def test_a_course_on_hold_and_a_held_window_are_left_out_and_say_why(broken):
    stopped, held, fine = broken.appointments
    Course.objects.filter(pk=stopped.course_id).update(status=CourseStatus.ON_HOLD)
    treat(broken.stage, TEN - timedelta(days=90), course=held.course, responses=["torn_epidermis"])
    run = solve(ask(broken))
    rows = rows_of(run)
    assert [codes(row)[:1] for row in rows] == [["course_not_running"], ["window_held"], []]
    assert run.answer["placed"] == 1
    assert fine.pk == rows[2].appointment_id


def test_a_shared_five_minutes_stays_busy(stage):
    """A visit of 33 minutes ends within a cell in which the next one begins."""
    course, neighbour = (make_running_course(stage.clinic) for _ in range(2))
    fit_handpiece(stage.laser)
    for one, start, minutes in ((course, TEN, 33), (neighbour, TEN + timedelta(minutes=35), 30)):
        appointment_book(
            course_id=one.pk,
            visit=stage.visit(start, minutes=minutes),
            actor=stage.desk,
            now=NOW,
        )
    broken = Broken(stage, [])
    span = Span(TEN, TEN + timedelta(minutes=30))
    run = solve(ask(broken, Outage(OutageKind.HANDPIECE, stage.handpiece.pk, span)))
    [row] = rows_of(run)
    assert row.status == ReplanRowStatus.PLACED


def test_it_is_read_in_as_many_queries_for_two_visits_as_for_twelve(stage):
    counts = []
    for first, count in ((0, 2), (2, 10)):
        book_visits(stage, count, first=TEN + timedelta(minutes=30 * first))
        replan = ask(Broken(stage, []))
        run = replan.runs.select_related("replan__chain").get()
        with CaptureQueriesContext(connection) as asked:
            task = _task(run, now=NOW)
        counts.append(len(asked))
    assert len(task.appointments) == 12
    assert counts[0] == counts[1]
    assert counts[0] <= 14
