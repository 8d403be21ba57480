"""Usage of a laser and life of a handpiece: the ledger added up, to the pulse."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from clinics.vocabulary import Role
from core.db import as_range
from devices.errors import CorrectionTooLarge
from devices.models import Fitting, PulseEntry
from devices.selectors import handpiece_life, laser_usage
from devices.services.ledger import pulse_entry_correct, pulse_entry_record
from devices.vocabulary import PulsePurpose
from tests.support.api import assert_problem, sign_in
from tests.support.devices import (
    fit,
    make_correction,
    make_fitted_handpiece,
    make_handpiece,
    make_laser,
    make_pulse_entry,
)
from tests.support.factories import instant, make_actor, make_clinic, make_staff, span

NOW = instant("2026-03-02T10:00Z")
MARCH = {"from": "2026-03-01T00:00:00Z", "to": "2026-04-01T00:00:00Z"}


@pytest.fixture
def laser(db):
    return make_laser(make_clinic(time_zone="Pacific/Auckland"))


@pytest.fixture
def handpiece(laser):
    return make_fitted_handpiece(laser, counter_at_start=5000, rated_life_pulses=10_000)


def usage_of(laser, **query):
    caller = sign_in(Role.LASER_OPERATOR, clinic=laser.clinic)
    return caller.get(f"/lasers/{laser.pk}/usage", **{**MARCH, **query})


def test_splits_what_was_fired_five_ways_and_each_adds_up(laser, handpiece):
    green, infrared = handpiece.lines.order_by("wavelength_nm")
    anna, ben = make_staff(laser.chain, name="A"), make_staff(laser.chain, name="B")
    fired_at = instant("2026-03-02T22:00+13:00")
    first = make_pulse_entry(laser, handpiece, line=green, operator=anna, fired_at=fired_at)
    make_pulse_entry(
        laser,
        handpiece,
        line=infrared,
        operator=ben,
        pulses=40,
        fired_at=fired_at + timedelta(hours=4),
        purpose=PulsePurpose.TEST_FIRE,
    )
    make_correction(first, -30)
    answer = usage_of(laser)
    assert answer.status_code == 200, answer.json()
    usage = answer.json()
    assert usage["total"] == {"pulses": 110, "entries": 2}
    assert usage["by_line"] == [
        {"line": green.pk, "wavelength_nm": 532, "pulses": 70, "entries": 1},
        {"line": infrared.pk, "wavelength_nm": 1064, "pulses": 40, "entries": 1},
    ]
    assert usage["by_handpiece"] == [
        {"handpiece": handpiece.pk, "serial": handpiece.serial, "pulses": 110, "entries": 2}
    ]
    assert {row["purpose"]: row["pulses"] for row in usage["by_purpose"]} == {
        "treatment": 70,
        "test_fire": 40,
    }
    assert {row["name"]: row["pulses"] for row in usage["by_operator"]} == {"A": 70, "B": 40}
    assert {row["day"]: row["pulses"] for row in usage["by_day"]} == {
        "2026-03-02": 70,
        "2026-03-03": 40,
    }
    assert usage["time_zone"] == "Pacific/Auckland"
    assert usage["basis"][0]["id"] == "pulse-usage"
    assert usage["caution"]


def test_the_end_of_the_span_is_left_out(laser, handpiece):
    for fired_at in ("2026-03-01T00:00Z", "2026-03-31T23:59:59Z", "2026-04-01T00:00Z"):
        make_pulse_entry(laser, handpiece, pulses=1, fired_at=instant(fired_at))
    assert usage_of(laser).json()["total"] == {"pulses": 2, "entries": 2}


def test_nothing_fired_is_an_answer_too(laser):
    usage = usage_of(laser).json()
    assert usage["total"] == {"pulses": 0, "entries": 0}
    assert usage["by_day"] == []


@pytest.mark.parametrize(
    ("query", "wrong"),
    [
        ({"from": "2026-03-01T00:00:00"}, "from"),
        ({"to": "2026-02-01T00:00:00Z"}, "to"),
        ({"to": "2036-02-01T00:00:00Z"}, "to"),
        ({"from": "yesterday"}, "from"),
        ({"since": "2026-03-01T00:00:00Z"}, "since"),
    ],
)
def test_a_wrong_span_is_named(laser, query, wrong):
    problem = assert_problem(usage_of(laser, **query), 400)
    assert [error["parameter"] for error in problem["errors"]] == [wrong]


def test_one_query_however_much_was_fired(laser, handpiece):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            laser_usage(laser, span=span(NOW, minutes=60 * 24 * 30), zone=ZoneInfo("UTC"))
        return len(seen)

    make_pulse_entry(laser, handpiece, fired_at=NOW)
    assert queries() == 1
    for day in range(12):
        entry = make_pulse_entry(laser, handpiece, fired_at=NOW + timedelta(days=day))
        make_correction(entry, -1)
    assert queries() == 1


def test_life_is_the_counter_at_the_start_and_the_ledger(laser, handpiece):
    entry = make_pulse_entry(laser, handpiece, pulses=4000, fired_at=NOW)
    make_correction(entry, -500)
    caller = sign_in(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)
    life = caller.get(f"/handpieces/{handpiece.pk}/life").json()
    assert life["pulses_logged"] == 3500
    assert (life["pulses_so_far"], life["pulses_left"], life["used_share"]) == (8500, 1500, 0.85)
    assert life["basis"][0]["id"] == "handpiece-life"
    make_pulse_entry(laser, handpiece, pulses=2000, fired_at=NOW)
    assert caller.get(f"/handpieces/{handpiece.pk}/life").json()["pulses_left"] == -500


def test_a_handpiece_without_a_rated_life(laser):
    handpiece = make_handpiece(laser.laser_model)
    caller = sign_in(Role.INTEGRATOR, clinic=laser.clinic)
    life = caller.get(f"/handpieces/{handpiece.pk}/life").json()
    assert (life["pulses_so_far"], life["pulses_left"], life["used_share"]) == (0, None, None)


def test_a_rated_life_in_months_counts_from_the_first_fitting(laser):
    tip = make_handpiece(laser.laser_model, rated_life_pulses=10_000, rated_life_months=12)
    today = datetime.now(UTC)
    earlier = span(today - timedelta(days=700), minutes=60 * 24 * 300)
    Fitting.objects.create(laser=laser, handpiece=tip, period=as_range(earlier))
    fit(tip, laser, since=today - timedelta(days=100))
    caller = sign_in(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)
    life = caller.get(f"/handpieces/{tip.pk}/life").json()
    assert life["months_so_far"] in {22, 23}
    assert (life["rated_life_months"], life["pulses_left"]) == (12, 10_000)
    assert life["used_share"] == pytest.approx(life["months_so_far"] / 12)
    shown = caller.get(f"/lasers/{laser.pk}/parts").json()["parts"]
    assert [row["months_so_far"] for row in shown] == [life["months_so_far"]]
    assert [row["used_share"] for row in shown] == [life["used_share"]]


def test_the_front_desk_has_no_need_of_the_ledger(laser, handpiece):
    desk = sign_in(Role.FRONT_DESK, clinic=laser.clinic)
    assert_problem(desk.get(f"/lasers/{laser.pk}/usage", **MARCH), 403)
    assert_problem(desk.get(f"/handpieces/{handpiece.pk}/life"), 403)


FIRED = st.tuples(st.just("fire"), st.integers(0, 1), st.integers(1, 5000))
CORRECTED = st.tuples(st.just("correct"), st.integers(0, 20), st.integers(-6000, 6000))


class LedgerSums(TestCase):
    """Whatever is entered and corrected, in whatever order, the sums are those of a counter."""

    def setUp(self):
        self.laser = make_laser()
        self.handpieces = [make_fitted_handpiece(self.laser) for _ in range(2)]
        self.officer = make_actor(Role.LASER_SAFETY_OFFICER, clinic=self.laser.clinic)

    @settings(max_examples=40, deadline=None)
    @given(st.lists(st.one_of(FIRED, CORRECTED), max_size=25))
    def test_ledger_sums_equal_counters(self, moves):
        counters = [0, 0]
        entries = []
        for number, (move, index, pulses) in enumerate(moves):
            if move == "fire":
                entries.append((index, self._fire(index, pulses, key=f"{number}")))
                counters[index] += pulses
            elif entries:
                which, entry = entries[index % len(entries)]
                counters[which] += self._correct(entry, pulses, key=f"{number}")
        lives = [handpiece_life(handpiece, now=NOW).so_far for handpiece in self.handpieces]
        assert lives == counters
        assert all(life >= 0 for life in lives)

    def _fire(self, index, pulses, *, key):
        handpiece = self.handpieces[index]
        fields = {
            "handpiece": handpiece,
            "line": handpiece.lines.first(),
            "pulses": pulses,
            "purpose": PulsePurpose.CALIBRATION,
        }
        return pulse_entry_record(
            laser_id=self.laser.pk, fields=fields, entry_key=key, actor=self.officer, now=NOW
        )

    def _correct(self, entry, pulses, *, key):
        """What the correction changes: nothing where it is refused."""
        left = sum(row.pulses for row in [entry, *entry.corrections.all()])
        try:
            if pulses:
                pulse_entry_correct(
                    entry=entry, pulses=pulses, reason="recount", entry_key=key, actor=self.officer
                )
        except CorrectionTooLarge:
            assert left + pulses < 0
            assert PulseEntry.objects.filter(entry_key=key).count() == 0
            return 0
        assert left + pulses >= 0
        return pulses
