"""A proposal applied while others book: whole or not at all, no overlap; with a control."""

from datetime import timedelta
from threading import Barrier

import pytest
import time_machine

from clinics import locks as clinic_locks
from clinics.models import Resource
from clinics.services import reservations
from core.errors import DomainError
from core.spans import Span
from courses.models import Appointment, Recall, ReplanRow
from courses.services.booking import appointment_book, visits
from courses.services.replans import applying, replan_apply
from courses.services.replans.as_json import visit_of_json
from courses.vocabulary import RecallKind, ReplanStatus
from tests.support.booking import NOW, make_running_course, make_stage
from tests.support.race import (
    clear_reservations,
    drop_constraint,
    half_written,
    overlaps,
    restore_constraint,
)
from tests.support.replans import DAY, Broken, ask, book_visits, solve
from tests.support.threads import at_once

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]


@pytest.fixture(autouse=True)
def _at_stage_time():
    with time_machine.travel(NOW, tick=False):
        yield


def proposal(visits=4):
    stage = make_stage(days=60)
    broken = Broken(stage, book_visits(stage, visits))
    replan = ask(broken)
    solve(replan)
    return broken, replan


def apply(replan, broken):
    return lambda: replan_apply(replan_id=replan.pk, actor=broken.desk, now=NOW)


def book_into(row, broken):
    """Somebody else books exactly the new slot of a row."""
    course = make_running_course(broken.stage.clinic)
    visit = visit_of_json(row.new, timeline=row.appointment.timeline)
    return lambda: appointment_book(course_id=course.pk, visit=visit, actor=broken.desk, now=NOW)


def test_applied_against_bookings_of_its_slots_it_is_whole_or_nothing():
    seen = set()
    for round_ in range(8):
        broken, replan = proposal()
        rows = list(ReplanRow.objects.filter(run__replan=replan).select_related("appointment"))
        before = {one.pk: one.starts_at for one in broken.appointments}
        outcomes = at_once(
            apply(replan, broken), *[book_into(row, broken) for row in rows[round_ % 4 :][:2]]
        )
        seen.add("applied" if not isinstance(outcomes[0], str) else outcomes[0])
        replan.refresh_from_db()
        now_at = {
            one.pk: Appointment.objects.get(pk=one.pk).starts_at for one in broken.appointments
        }
        if replan.status == ReplanStatus.APPLIED:
            assert all(now_at[pk] != before[pk] for pk in before)
            assert {*outcomes[1:]} <= {"slot_taken"}
        else:
            assert outcomes[0] == "diary_changed"
            assert now_at == before
        told = Recall.objects.filter(kind=RecallKind.CHANGE, appointment__in=before)
        assert told.count() == (len(before) if replan.status == ReplanStatus.APPLIED else 0)
        assert overlaps() == 0
        assert half_written() == 0
    assert seen <= {"applied", "diary_changed"}


def test_of_two_who_apply_one_does_and_patients_are_told_once():
    broken, replan = proposal()
    outcomes = at_once(*[apply(replan, broken)] * 3)
    assert sorted(one for one in outcomes if isinstance(one, str)) == ["status_step_refused"] * 2
    assert Recall.objects.filter(kind=RecallKind.CHANGE).count() == 4
    assert overlaps() == 0


def test_control_without_locks_and_constraint_the_two_overlap(monkeypatch):
    """The same two commands; each has looked before the other has written."""
    broken, replan = proposal(1)
    row = ReplanRow.objects.select_related("appointment").get()
    book = book_into(row, broken)
    barrier = Barrier(2, timeout=20)
    look = reservations._clear_the_way

    def look_and_wait(*args, **kwargs):
        look(*args, **kwargs)
        barrier.wait()

    def no_lock(ids):
        return list(Resource.objects.filter(pk__in=set(ids)))

    for module in (applying, visits, clinic_locks):
        monkeypatch.setattr(module, "lock_resources", no_lock)
    monkeypatch.setattr(reservations, "_clear_the_way", look_and_wait)
    drop_constraint()
    try:
        outcomes = at_once(apply(replan, broken), book)
        assert not any(isinstance(one, str) for one in outcomes)
        assert overlaps() == 4
    finally:
        clear_reservations()
        restore_constraint()


def test_a_deadlock_does_not_show_when_two_proposals_want_the_same_people():
    stage = make_stage(days=60)
    first = Broken(stage, book_visits(stage, 3))
    second = Broken(stage, book_visits(stage, 3, first=DAY + timedelta(days=1, hours=2)))
    plans = [ask(first), ask(second, second.outage(tomorrow()))]
    for plan in plans:
        solve(plan)
    outcomes = at_once(*[apply(plan, first) for plan in plans])
    codes = {one for one in outcomes if isinstance(one, str)}
    assert codes <= {"diary_changed", "busy"}
    assert len([one for one in outcomes if not isinstance(one, (str, DomainError))]) >= 1
    assert overlaps() == 0


def tomorrow():
    return Span(DAY + timedelta(days=1), DAY + timedelta(days=1, hours=12))
