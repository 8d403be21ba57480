import pickle
from datetime import UTC, datetime, timedelta

import pytest

from core.spans import Span
from courses.slots import BadTimeline, Segment, Timeline, multi_pass, role_spans
from courses.vocabulary import TreatmentRole

START = datetime(2026, 6, 1, 9, tzinfo=UTC)
ALL = frozenset(TreatmentRole)
REST = frozenset({TreatmentRole.ROOM, TreatmentRole.PATIENT})


def minutes(begin, end):
    return Span(START + timedelta(minutes=begin), START + timedelta(minutes=end))


def test_whole_visit_keeps_everything_busy_from_start_to_end():
    spans = role_spans(Timeline.whole_visit(45), start=START)
    assert set(spans) == ALL
    assert set(spans.values()) == {(minutes(0, 45),)}


def test_several_passes_free_laser_handpiece_and_operator_in_between():
    spans = role_spans(multi_pass([10, 10, 5], wait_minutes=20), start=START)
    passes = (minutes(0, 10), minutes(30, 40), minutes(60, 65))
    for role in (TreatmentRole.LASER, TreatmentRole.HANDPIECE, TreatmentRole.OPERATOR):
        assert spans[role] == passes
    assert spans[TreatmentRole.ROOM] == spans[TreatmentRole.PATIENT] == (minutes(0, 65),)


def test_changeover_is_taken_out_of_the_wait_and_finish_needs_no_laser():
    timeline = multi_pass(
        [10, 10], wait_minutes=20, changeover_minutes=5, prepare_minutes=10, finish_minutes=10
    )
    spans = role_spans(timeline, start=START)
    assert spans[TreatmentRole.LASER] == (minutes(10, 25), minutes(40, 55))
    assert spans[TreatmentRole.OPERATOR] == (minutes(0, 25), minutes(40, 65))
    assert timeline.minutes == 65


def test_touching_segments_of_a_role_are_one_span():
    timeline = Timeline((Segment(10, ALL), Segment(5, ALL), Segment(5, REST)))
    assert role_spans(timeline, start=START)[TreatmentRole.LASER] == (minutes(0, 15),)


def test_room_may_stay_busy_after_the_patient_has_left():
    timeline = Timeline((Segment(30, ALL), Segment(10, frozenset({TreatmentRole.ROOM}))))
    spans = role_spans(timeline, start=START)
    assert spans[TreatmentRole.PATIENT] == (minutes(0, 30),)
    assert spans[TreatmentRole.ROOM] == (minutes(0, 40),)


@pytest.mark.parametrize(
    "segments",
    [
        (),
        (Segment(0, ALL),),
        (Segment(-5, ALL), Segment(60, ALL)),
        (Segment(12 * 60 + 1, ALL),),
        (Segment(3 * 24 * 60, ALL),),
        (Segment(30, REST),),
    ],
)
def test_timeline_that_cannot_be_an_appointment_is_refused(segments):
    with pytest.raises(BadTimeline) as refused:
        Timeline(segments)
    assert refused.value.field == "timeline"
    assert pickle.loads(pickle.dumps(refused.value)).message == refused.value.message


def test_naive_start_is_refused():
    with pytest.raises(ValueError, match="aware"):
        role_spans(Timeline.whole_visit(45), start=datetime(2026, 6, 1))  # noqa: DTZ001 - refused
