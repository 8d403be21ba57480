"""Pulses between two readings, and what a counter says of a ledger."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.counters import CounterImpossible, Mark, Scale, check_marks, judge, pulses_between
from devices.counters import reconcile as reconcile_plainly
from devices.vocabulary import CounterFinding, CounterStep, CounterUnit
from tests.support.factories import instant

START = instant("2026-03-02T08:00Z")
ROLLED, REPLACED = CounterStep.ROLLED_OVER, CounterStep.REPLACED


def mark(value, *, minutes=0, **fields):
    return Mark(START + timedelta(minutes=minutes), value, **fields)


@pytest.mark.parametrize(
    ("before", "later", "scale", "pulses"),
    [
        (mark(100), mark(100), Scale(), 0),
        (mark(100), mark(350), Scale(), 250),
        (mark(999_900), mark(50, step=ROLLED), Scale(capacity=1_000_000), 150),
        (mark(999_999), mark(0, step=ROLLED), Scale(capacity=1_000_000), 1),
        (mark(7_000_000), mark(120, step=REPLACED), Scale(), 120),
        (mark(7_000_000), mark(120, step=REPLACED, first_value=20), Scale(), 100),
        (mark(12), mark(15), Scale(CounterUnit.THOUSAND_PULSES), 3_000),
    ],
)
def test_what_a_counter_gained(before, later, scale, pulses):
    assert pulses_between(before, later, scale=scale) == pulses


@pytest.mark.parametrize(
    ("before", "later", "scale", "rule"),
    [
        (mark(100), mark(99), Scale(), "backwards"),
        (mark(100), mark(5, step=ROLLED), Scale(), "capacity-unknown"),
        (mark(100), mark(1000), Scale(capacity=1000), "beyond-capacity"),
        (mark(0), mark(-1), Scale(), "negative"),
        (mark(0), mark(5, step=REPLACED, first_value=6), Scale(), "below-first-value"),
    ],
)
def test_what_a_counter_cannot_do(before, later, scale, rule):
    with pytest.raises(CounterImpossible) as caught:
        pulses_between(before, later, scale=scale)
    assert caught.value.rule == rule


def test_three_hundred_seconds_at_ten_hertz_hold_three_thousand_pulses():
    """LG11 of the laser safety reference: pulses <= rate x time (recomputed)."""
    ends = {"minutes": 5}
    slack = Scale().step_pulses
    fits = [mark(0), mark(3000 + slack, **ends)]
    too_many = [mark(0), mark(3001 + slack, **ends)]
    assert [*check_marks(fits, scale=Scale(), most_hz=10)] == []
    assert [one.rule for one in check_marks(too_many, scale=Scale(), most_hz=10)] == ["too-fast"]


@pytest.mark.parametrize(
    ("counter", "ledger", "unit", "finding"),
    [
        (500, 500, CounterUnit.PULSES, CounterFinding.AGREES),
        (501, 500, CounterUnit.PULSES, CounterFinding.UNLOGGED),
        (499, 500, CounterUnit.PULSES, CounterFinding.OVER_LOGGED),
        (3000, 2001, CounterUnit.THOUSAND_PULSES, CounterFinding.AGREES),
        (3000, 2000, CounterUnit.THOUSAND_PULSES, CounterFinding.UNLOGGED),
        (3000, 4000, CounterUnit.THOUSAND_PULSES, CounterFinding.OVER_LOGGED),
    ],
)
def test_findings(counter, ledger, unit, finding):
    assert judge(counter, ledger, step=CounterStep.COUNTED, scale=Scale(unit)) == finding


@pytest.mark.parametrize(
    ("step", "finding"),
    [(ROLLED, CounterFinding.ROLL_OVER), (REPLACED, CounterFinding.REPLACEMENT)],
)
def test_agreement_keeps_how_it_came_about(step, finding):
    assert judge(5, 5, step=step, scale=Scale()) == finding


FIRINGS = st.lists(st.tuples(st.integers(0, 5000), st.integers(1, 3000)), max_size=40)


@given(
    firings=FIRINGS,
    readings=st.lists(st.integers(0, 5001), min_size=2, max_size=12, unique=True),
    capacity=st.none() | st.integers(3_000 * 40 + 1, 10**7),
    begins=st.integers(0, 10**6),
    replaced=st.sets(st.integers(1, 11), max_size=3),
)
def test_a_true_counter_agrees_with_a_true_ledger(firings, readings, capacity, begins, replaced):
    """Any firings, any moments of reading, roll-overs and replacements right after a reading."""
    shots = sorted((START + timedelta(seconds=at), pulses) for at, pulses in firings)
    begins = begins % capacity if capacity else begins
    marks, shown, before = [], begins, None
    for place, at in enumerate(sorted(readings)):
        read_at = START + timedelta(seconds=at)
        step = CounterStep.COUNTED
        if before is not None:
            gained = sum(pulses for shot, pulses in shots if before <= shot < read_at)
            if place in replaced:
                step, shown = REPLACED, gained
            else:
                shown += gained
                if capacity and shown >= capacity:
                    step, shown = ROLLED, shown - capacity
        marks.append(Mark(read_at, shown, step))
        before = read_at
    found = [*reconcile_plainly(marks, shots, scale=Scale(capacity=capacity))]
    assert all(one.agrees for one in found)
    within = sum(p for shot, p in shots if marks[0].read_at <= shot < marks[-1].read_at)
    assert sum(one.ledger_pulses for one in found) == within
    assert sum(one.counter_pulses for one in found) == within


@given(missing=st.integers(1, 500), logged=st.integers(0, 5000))
def test_what_is_not_logged_is_found_to_the_pulse(missing, logged):
    marks = [mark(10), mark(10 + logged + missing, minutes=60)]
    [found] = reconcile_plainly(marks, [(START, logged)], scale=Scale())
    assert found.finding == CounterFinding.UNLOGGED
    assert found.counter_pulses - found.ledger_pulses == missing
