"""Planning again: twice is once, the way does not matter, and time alone changes nothing early."""

from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from courses.timing import outlook
from courses.timing.differences import Differences
from courses.vocabulary import RequestStatus
from tests.support.course_events import START, State, Table, closed, events, fresh, started

histories = st.lists(st.tuples(events(), st.integers(0, 48)), max_size=8)


def lived_through(history) -> tuple[State, Table, object]:
    state, table, now = started(), Table(), START
    table.plan(state, now=now)
    for event, hours in history:
        state = event(state)
        now += timedelta(hours=hours)
        table.plan(state, now=now)
    return state, table, now


@given(histories)
@settings(max_examples=300)
def test_planning_twice_changes_nothing(history):
    state, table, now = lived_through(history)
    table.plan(state, now=now)
    assert table.plan(state, now=now) == Differences()


@given(histories)
@settings(max_examples=300)
def test_the_rows_are_those_of_planning_once_from_the_final_state(history):
    state, table, now = lived_through(history)
    table.plan(state, now=now)
    assert table.live() == fresh(state, now=now)


@given(histories, st.integers(0, 24 * 120))
@settings(max_examples=300)
def test_until_it_is_to_be_looked_at_again_nothing_changes(history, hours):
    state, table, now = lived_through(history)
    table.plan(state, now=now)
    look = outlook(state.facts, cadence=state.cadence, closed=closed, now=now)
    later = now + timedelta(hours=hours)
    if look.look_at is None or later < look.look_at:
        assert table.plan(state, now=later) == Differences()


@given(histories)
def test_one_message_at_most_waits_for_each_step(history):
    _, table, _ = lived_through(history)
    for row in table.rows.values():
        waiting = [one for one in row.messages if one.status == "preparation"]
        assert len(waiting) == (row.status is RequestStatus.ACTIVE)


@given(histories)
def test_nothing_is_planned_for_a_closed_day_or_after_the_visit(history):
    state, table, now = lived_through(history)
    look = outlook(state.facts, cadence=state.cadence, closed=closed, now=now)
    wanted = {one.key: one for one in look.steps}
    table.plan(state, now=now)
    for row in table.rows.values():
        step = wanted.get(row.key)
        if step is None or not row.live:
            continue
        local = row.due_at.astimezone(step.place.zone)
        assert step.step.closed_days == "send" or not closed(step.place.clinic_id, local.date())
        for message in row.messages:
            if message.status == "preparation" and step.before is not None:
                assert message.due_at < step.before
