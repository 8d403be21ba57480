"""Two rooms share one laser during each other's waits; a visit in segments is one booking."""

from datetime import timedelta

import pytest

from clinics.models import Reservation
from core.spans import Span
from courses.errors import SlotTaken
from courses.selectors.slots import SearchOrder, slots_for
from courses.selectors.visits import Visit, visit_of_slot
from courses.services.booking import (
    Hold,
    appointment_book,
    appointment_cancel,
    appointment_confirm,
    appointment_move,
)
from courses.slots import Timeline, multi_pass
from tests.support.booking import NOW, TOMORROW_TEN, make_operator, make_running_course
from tests.support.factories import make_room
from tests.support.race import overlaps

pytestmark = pytest.mark.django_db

THREE_PASSES = multi_pass([10, 10, 10], wait_minutes=20, prepare_minutes=10, finish_minutes=10)
MORNING = Span(TOMORROW_TEN, TOMORROW_TEN + timedelta(hours=2))


@pytest.fixture
def two_rooms(stage):
    """A second room and a second operator beside the one laser."""
    make_room(stage.clinic, cleared_wavelengths_nm=[1064, 532])
    make_operator(stage.clinic, days=3)
    return stage


def book(stage, visit, *, course=None, **changes):
    return appointment_book(
        course_id=(course or make_running_course(stage.clinic)).pk,
        visit=visit,
        actor=stage.desk,
        now=NOW,
        **changes,
    )


def in_segments(stage, start=TOMORROW_TEN, timeline=THREE_PASSES):
    return Visit(starts_at=start, timeline=timeline, place=stage.place(), wavelengths_nm=(1064,))


def search(stage, course, timeline, span=MORNING):
    order = SearchOrder(span=span, timeline=timeline, limit=20)
    return slots_for(course.pk, order=order, actor=stage.desk, now=NOW).answer.slots


def laser_spans(stage):
    rows = Reservation.objects.filter(resource=stage.laser.resource).order_by("period")
    return [(_minute(row.period.lower), _minute(row.period.upper)) for row in rows]


def _minute(instant):
    return (instant - TOMORROW_TEN) // timedelta(minutes=1)


def test_the_laser_serves_the_second_room_during_the_waits_of_the_first(two_rooms):
    stage = two_rooms
    first = book(stage, in_segments(stage))
    assert laser_spans(stage) == [(10, 20), (40, 50), (70, 80)]
    course = make_running_course(stage.clinic)
    slots = search(stage, course, THREE_PASSES)
    assert slots
    second = book(stage, visit_of_slot(slots[0], THREE_PASSES), course=course)
    assert second.laser_id == first.laser_id
    assert second.room_id != first.room_id
    assert second.starts_at < first.ends_at
    assert len(laser_spans(stage)) == 6
    assert overlaps() == 0


def test_as_a_whole_visit_it_would_have_to_wait(two_rooms):
    stage = two_rooms
    book(stage, in_segments(stage, timeline=Timeline.whole_visit(THREE_PASSES.minutes)))
    course = make_running_course(stage.clinic)
    assert search(stage, course, THREE_PASSES) == ()
    whole = Timeline.whole_visit(THREE_PASSES.minutes)
    assert search(stage, course, whole) == ()


def test_passes_that_would_meet_are_refused(two_rooms):
    stage = two_rooms
    book(stage, in_segments(stage))
    course = make_running_course(stage.clinic)
    [slot, *_] = search(stage, course, THREE_PASSES)
    other = visit_of_slot(slot, THREE_PASSES)
    meeting = Visit(
        starts_at=TOMORROW_TEN + timedelta(minutes=5),
        timeline=THREE_PASSES,
        place=other.place,
        wavelengths_nm=(1064,),
    )
    with pytest.raises(SlotTaken):
        book(stage, meeting, course=course)
    assert len(laser_spans(stage)) == 3


def test_hold_confirm_move_and_cancel_take_all_segments_with_them(two_rooms):
    stage = two_rooms
    held = book(stage, in_segments(stage), hold=Hold(minutes=5))
    kept = {"busy-tentative": 3 + 3 + 3 + 1 + 1}
    assert counts(held) == kept
    appointment_confirm(appointment_id=held.pk, actor=stage.desk, now=NOW)
    assert counts(held) == {"busy": 11}
    appointment_move(
        appointment_id=held.pk,
        visit=in_segments(stage, TOMORROW_TEN + timedelta(minutes=30)),
        actor=stage.desk,
        now=NOW,
    )
    assert laser_spans(stage) == [(40, 50), (70, 80), (100, 110)]
    assert counts(held) == {"busy": 11}
    appointment_cancel(appointment_id=held.pk, reason="", actor=stage.desk, now=NOW)
    assert counts(held) == {}


def counts(appointment):
    found = {}
    rows = Reservation.objects.filter(source=f"appointment:{appointment.pk}")
    for status in rows.values_list("status", flat=True):
        found[status] = found.get(status, 0) + 1
    return found
