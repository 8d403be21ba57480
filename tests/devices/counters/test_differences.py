"""What differs from the ledger is a row with an owner and an age, until it is explained."""

from datetime import timedelta
from io import StringIO
from itertools import pairwise

import pytest
from django.core.management import CommandError, call_command
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clinics.vocabulary import Role
from devices.counters import Mark, Scale
from devices.counters import reconcile as reconcile_plainly
from devices.models import CounterDifference, CounterReading, CounterReconciliation, PulseEntry
from devices.selectors.counters import reconciled
from devices.services.counter_differences import counters_reconcile, counters_reconcile_due
from devices.vocabulary import CounterFinding, CounterKind, CounterStep, CounterUnit
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.counters import DAY_START, make_counter, make_installation, make_reading
from tests.support.devices import (
    make_correction,
    make_fitted_handpiece,
    make_handpiece,
    make_laser,
    make_pulse_entry,
)
from tests.support.factories import LONG_AGO, make_clinic, number

pytestmark = pytest.mark.django_db

NIGHT = DAY_START + timedelta(hours=18)


@pytest.fixture
def laser():
    return make_laser()


@pytest.fixture
def handpiece(laser):
    return make_fitted_handpiece(laser)


@pytest.fixture
def officer(laser):
    return sign_in(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)


def fire(laser, handpiece, pulses, *, hours):
    at = DAY_START + timedelta(hours=hours)
    return make_pulse_entry(laser, handpiece, pulses=pulses, fired_at=at)


def compare(laser, *, now=NIGHT):
    return counters_reconcile(chain_id=laser.chain_id, now=now)


def counts(run):
    return run.spans, run.agreeing, run.opened, run.settled, run.left_open


def test_a_day_on_which_all_agrees(laser, handpiece):
    counters = [
        make_counter(laser),
        make_counter(laser, kind=CounterKind.LAMP),
        make_counter(handpiece),
    ]
    for counter, begins in zip(counters, (1000, 40, 0), strict=True):
        make_reading(counter, begins)
        make_reading(counter, begins + 300, hours=4)
        make_reading(counter, begins + 750, hours=8)
    fire(laser, handpiece, 100, hours=1)
    fire(laser, handpiece, 200, hours=2)
    fire(laser, handpiece, 450, hours=4)
    assert counts(compare(laser)) == (6, 6, 0, 0, 0)
    assert not CounterDifference.objects.exists()


def test_a_handpiece_counts_what_goes_through_it_on_whichever_laser(laser, handpiece):
    other, second = make_laser(laser.clinic, laser_model=laser.laser_model), None
    second = make_fitted_handpiece(laser)
    counter, tip = make_counter(laser), make_counter(handpiece)
    for one in (counter, tip):
        make_reading(one, 0)
    fire(laser, handpiece, 10, hours=1)
    fire(laser, second, 20, hours=2)
    fire(other, handpiece, 40, hours=3)
    make_reading(counter, 30, hours=8)
    make_reading(tip, 50, hours=8)
    assert counts(compare(laser)) == (2, 2, 0, 0, 0)


def test_a_difference_has_an_owner_and_an_age(laser, handpiece, officer):
    counter = make_counter(laser)
    make_reading(counter, 0)
    fire(laser, handpiece, 100, hours=1)
    make_reading(counter, 130, hours=8)
    assert counts(compare(laser)) == (1, 0, 1, 0, 1)
    assert counts(compare(laser)) == (1, 0, 0, 0, 1)
    [shown] = officer.get("/counter-differences", status="open").json()["items"]
    told = {name: shown[name] for name in ("finding", "difference", "owner", "laser")}
    assert told == {
        "finding": "unlogged",
        "difference": 30,
        "owner": officer.staff.pk,
        "laser": laser.pk,
    }
    assert shown["age_days"] >= 0


def test_without_an_officer_who_read_it_looks_into_it(laser, handpiece):
    counter = make_counter(laser)
    make_reading(counter, 0)
    later = make_reading(counter, 30, hours=8)
    compare(laser)
    assert CounterDifference.objects.get().owner_id == later.read_by_id


def test_over_logged_is_settled_by_a_correction(laser, handpiece, officer):
    counter = make_counter(laser)
    make_reading(counter, 0)
    entry = fire(laser, handpiece, 1000, hours=1)
    make_reading(counter, 100, hours=8)
    compare(laser)
    difference = CounterDifference.objects.get()
    assert difference.finding == CounterFinding.OVER_LOGGED
    correction = make_correction(entry, -900)
    path = f"/counter-differences/{difference.pk}"
    told = {"explanation": "one nought too many", "correction": correction.pk}
    answer = officer.client.post(
        f"/api/v1{path}/explain", told, format="json", headers={"If-Match": '"1"'}
    ).json()
    assert (answer["status"], answer["resolution"]) == ("closed", "settled")
    assert answer["explanation"] == "one nought too many"
    assert counts(compare(laser)) == (1, 1, 0, 0, 0)


def act(caller, difference, action, body=None, *, version=None):
    difference.refresh_from_db()
    return caller.client.post(
        f"/api/v1/counter-differences/{difference.pk}/{action}",
        body or {},
        format="json",
        headers={"If-Match": f'"{version or difference.version}"'},
    )


@pytest.fixture
def difference(laser, handpiece):
    counter = make_counter(laser)
    make_reading(counter, 0)
    fire(laser, handpiece, 100, hours=1)
    make_reading(counter, 130, hours=8)
    compare(laser)
    return CounterDifference.objects.get()


def test_explained_then_accepted_and_open_again_when_its_sums_change(
    difference, officer, laser, handpiece
):
    assert_problem(act(officer, difference, "close"), 422, "counter_difference_unexplained")
    assert act(officer, difference, "explain", {"explanation": "maker's test"}).status_code == 200
    closed = act(officer, difference, "close").json()
    assert (closed["status"], closed["resolution"], closed["age_days"]) == (
        "closed",
        "accepted",
        None,
    )
    assert counts(compare(laser)) == (1, 0, 0, 0, 0)
    assert_problem(act(officer, difference, "assign", {"owner": officer.staff.pk}), 409)
    fire(laser, handpiece, 5, hours=2)
    assert counts(compare(laser)) == (1, 0, 1, 0, 1)
    difference.refresh_from_db()
    assert (difference.status, difference.ledger_pulses) == ("open", 105)
    assert difference.explanation == "maker's test"


def test_a_late_entry_settles_it(difference, laser, handpiece):
    fire(laser, handpiece, 30, hours=3)
    assert counts(compare(laser)) == (1, 1, 0, 1, 0)
    difference.refresh_from_db()
    assert (difference.status, difference.resolution) == ("closed", "settled")


def test_a_span_that_a_reading_divides_is_superseded(difference, laser):
    make_reading(difference.counter, 60, hours=4)
    assert counts(compare(laser)) == (2, 0, 2, 1, 2)
    difference.refresh_from_db()
    assert difference.resolution == "superseded"
    kept = CounterDifference.objects.exclude(pk=difference.pk).order_by("earlier")
    assert [(one.counter_pulses, one.ledger_pulses) for one in kept] == [(60, 100), (70, 0)]


def test_another_owner(difference, officer, laser):
    colleague = sign_in(Role.LASER_OPERATOR, clinic=laser.clinic).staff
    assert act(officer, difference, "assign", {"owner": colleague.pk}).json()["owner"] == (
        colleague.pk
    )
    stranger = sign_in(Role.LASER_OPERATOR).staff
    assert_problem(act(officer, difference, "assign", {"owner": stranger.pk}), 400)
    assert_problem(act(officer, difference, "assign", {"owner": colleague.pk}, version=1), 412)


def test_only_a_correction_of_this_span_explains_it(difference, officer, laser, handpiece):
    entry = fire(laser, handpiece, 10, hours=12)
    elsewhere = make_correction(entry, -1)
    for wrong in (entry, elsewhere):
        answer = act(officer, difference, "explain", {"explanation": "x", "correction": wrong.pk})
        assert_problem(answer, 422, "correction_elsewhere")
    difference.refresh_from_db()
    assert difference.status == "open"


def test_who_may(difference, laser):
    for role, clinic in (
        (Role.LASER_OPERATOR, laser.clinic),
        (Role.LASER_SAFETY_OFFICER, make_clinic(laser.chain)),
    ):
        caller = sign_in(role, clinic=clinic)
        assert_problem(act(caller, difference, "explain", {"explanation": "x"}), 403)
    manager = sign_in(Role.CHAIN_MANAGER, chain=laser.chain)
    assert act(manager, difference, "explain", {"explanation": "x"}).status_code == 200
    assert_problem(act(manager, difference, "close"), 403)
    assert sign_in(Role.CHAIN_MANAGER).get("/counter-differences").json()["items"] == []


def test_nightly_once(laser, difference):
    assert counters_reconcile_due(now=NIGHT + timedelta(hours=1)) == 0
    assert counters_reconcile_due(now=NIGHT + timedelta(hours=24)) == 1
    assert CounterReconciliation.objects.count() == 2


def test_the_command_prints_what_is_open(difference):
    told = StringIO()
    with pytest.raises(CommandError, match="1 differences are open"):
        call_command("reconcile_counters", "--since", "2026-01-01", stdout=told)
    assert "counter 130, ledger 100, unlogged" in told.getvalue()


def test_a_comparison_now_over_the_api(laser, difference):
    officer = sign_in(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)
    made = officer.post("/counter-reconciliations", {"since": LONG_AGO.isoformat()})
    assert (made.status_code, made.json()["left_open"]) == (201, 1)
    assert len(officer.get("/counter-reconciliations").json()["items"]) == 2


def test_since_counts_from_the_reading_in_force(laser, handpiece):
    counter = make_counter(laser)
    make_reading(counter, 0)
    fire(laser, handpiece, 10, hours=1)
    make_reading(counter, 10, hours=2)
    fire(laser, handpiece, 10, hours=3)
    make_reading(counter, 25, hours=6)
    since = DAY_START + timedelta(hours=4)
    seen = reconciled(laser.chain_id, since=since)
    assert (seen.spans, seen.agreeing) == (1, 0)
    assert [(one.counter_pulses, one.ledger_pulses) for one in seen.differing] == [(15, 10)]


@pytest.mark.parametrize(
    "path", ["/counters", "/counter-readings", "/counter-differences", "/counter-reconciliations"]
)
def test_as_many_queries_for_12_rows_as_for_2(path):
    caller = sign_in(Role.LASER_SAFETY_OFFICER)

    def add():
        laser = make_laser(make_clinic(caller.staff.chain))
        counter = make_counter(laser)
        make_reading(counter, 0)
        make_reading(counter, 30, hours=8)
        compare(laser)

    for _ in range(2):
        add()
    few = queries_of(caller, path)
    for _ in range(10):
        add()
    assert len(caller.get(path).json()["items"]) >= 12
    assert queries_of(caller, path) == few


SHOTS = st.lists(
    st.tuples(st.integers(0, 500), st.integers(1, 900), st.integers(0, 1)), max_size=12
)
READS = st.lists(
    st.tuples(st.integers(0, 500), st.integers(0, 5000), st.sampled_from(CounterStep)),
    min_size=1,
    max_size=8,
    unique_by=lambda one: one[0],
)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(shots=SHOTS, reads=READS, unit=st.sampled_from(CounterUnit), gone=st.sets(st.integers(0, 7)))
def test_one_statement_says_what_a_plain_loop_says(shots, reads, unit, gone):
    laser = make_laser()
    pieces = [make_handpiece(laser.laser_model) for _ in range(2)]
    counters = [
        make_counter(laser, unit=unit, capacity=6000),
        make_counter(pieces[0], unit=unit, capacity=6000),
    ]
    for minutes, pulses, through in shots:
        fire(laser, pieces[through], pulses, hours=minutes / 60)
    stay = {one: make_installation(one.laser or one.handpiece) for one in counters}
    marks = {one.pk: [] for one in counters}
    for counter in counters:
        for place, (minutes, value, step) in enumerate(sorted(reads)):
            reset = {"installation": stay[counter]} if step == CounterStep.REPLACED else {}
            row = make_reading(counter, value, hours=minutes / 60, step=step, **reset)
            if place in gone:
                make_reading(
                    counter, value, read_at=row.read_at, corrects=row, withdrawn=True, reason="r"
                )
            else:
                marks[counter.pk].append(Mark(row.read_at, value, step, key=row.pk))
    expected = {}
    spans = agreeing = 0
    for counter in counters:
        fired = PulseEntry.objects.filter(
            **({"laser": laser} if counter.laser else {"handpiece": counter.handpiece})
        )
        firings = [*fired.values_list("fired_at", "pulses")]
        scale = Scale(unit, capacity=10**9)
        for one in _plain(marks[counter.pk], firings, scale):
            spans += 1
            agreeing += one[2]
            if not one[2]:
                expected[one[3]] = one[:2]
    seen = reconciled(laser.chain_id, since=LONG_AGO)
    assert (seen.spans, seen.agreeing) == (spans, agreeing)
    found = {
        (one.earlier_id, one.later_id): (one.counter_pulses, one.ledger_pulses)
        for one in seen.differing
    }
    assert found == expected
    assert CounterReading.objects.filter(counter__in=counters).count() >= len(reads)
    assert number()


def _plain(marks, firings, scale):
    """Counter and ledger pulses, whether they agree, and the pair; readings as they were drawn."""
    for earlier, later in pairwise(marks):
        if later.step == CounterStep.COUNTED and later.value < earlier.value:
            counted = (later.value - earlier.value) * scale.step_pulses
        elif later.step == CounterStep.ROLLED_OVER:
            counted = (later.value + 6000 - earlier.value) * scale.step_pulses
        elif later.step == CounterStep.REPLACED:
            counted = later.value * scale.step_pulses
        else:
            [one] = reconcile_plainly([earlier, later], firings, scale=scale)
            assert one.agrees == (abs(one.counter_pulses - one.ledger_pulses) < scale.step_pulses)
            counted = one.counter_pulses
        logged = sum(p for at, p in firings if earlier.read_at <= at < later.read_at)
        agrees = abs(counted - logged) < scale.step_pulses
        yield counted, logged, agrees, (earlier.key, later.key)
