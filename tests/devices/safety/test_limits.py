"""Exposure limits: refusals, boundaries, sets that never mix, and what must hold everywhere."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices import safety as s
from devices.safety.tables import breaks_s

EU, IEC, LOWER = s.LimitSet.EU2006, s.LimitSet.IEC2014, s.LimitSet.LOWER
SETS = st.sampled_from([EU, IEC])
TISSUES = st.sampled_from(list(s.Tissue))
NM = st.floats(400, 1400)
SECONDS = st.floats(-10, math.log10(0.25)).map(lambda power: 10**power)
RATES = st.floats(0.1, 20)
AROUND = 1e-6


def limit(nm, seconds, limit_set, tissue=s.Tissue.EYE, **more):
    return s.exposure_limit(s.Exposure(nm, seconds, **more), limit_set=limit_set, tissue=tissue)


@pytest.mark.parametrize("nm", [0, -532, math.nan, math.inf, True])
def test_a_wavelength_that_is_none_is_refused(nm):
    with pytest.raises(s.InvalidQuantity) as refused:
        s.Exposure(nm, 6e-9)
    assert refused.value.field == "wavelength_nm"


@pytest.mark.parametrize(
    ("given", "field", "low", "high"),
    [
        ((399.9, 6e-9), "wavelength_nm", 400, 1400),
        ((2940, 6e-9), "wavelength_nm", 400, 1400),
        ((532, 99e-12), "pulse_s", 1e-10, 10),
        ((532, 10.1), "pulse_s", 1e-10, 10),
    ],
)
def test_outside_of_the_tables_is_refused_with_what_they_cover(given, field, low, high):
    with pytest.raises(s.OutsideTables) as refused:
        s.Exposure(*given)
    assert (refused.value.field, refused.value.low, refused.value.high) == (field, low, high)


def test_the_ends_of_the_tables_belong_to_them():
    for nm in (400, 1400):
        for seconds in (100e-12, 0.1e-9, 10):
            assert limit(nm, seconds, LOWER).value_j_m2 > 0


def test_pulses_that_would_overlap_are_refused():
    with pytest.raises(s.InvalidQuantity) as refused:
        s.Exposure(532, 0.2, rate_hz=10)
    assert refused.value.rule == "pulses-overlap"


@given(NM, SECONDS, SETS, TISSUES)
def test_one_pulse_a_time_is_the_single_pulse(nm, seconds, limit_set, tissue):
    got = limit(nm, seconds, limit_set, tissue)
    assert got.exposure.pulses == 1
    assert got.value_j_m2 == got.single.value_j_m2
    assert got.limit_set is limit_set


@given(NM, SECONDS, TISSUES, st.none() | RATES, st.sampled_from([0.25, 2, 5, 10]))
def test_the_lower_is_one_of_the_two_and_no_higher_than_either(nm, seconds, tissue, rate, exposure):
    more = {"rate_hz": rate and min(rate, 1 / seconds), "exposure_s": max(exposure, seconds)}
    both = [limit(nm, seconds, one, tissue, **more).value_j_m2 for one in (EU, IEC)]
    lower = limit(nm, seconds, LOWER, tissue, **more)
    assert lower.value_j_m2 == min(both)
    assert lower.limit_set in {EU, IEC}
    names = {clause.text.split(",")[0].split(":")[0] for clause in lower.clauses}
    assert len(names) == 1, "clauses of one set only"


@given(NM, SECONDS, SETS, TISSUES, RATES)
def test_a_train_never_allows_more_than_one_pulse(nm, seconds, limit_set, tissue, rate):
    rate = min(rate, 1 / seconds)
    train = limit(nm, seconds, limit_set, tissue, rate_hz=rate)
    assert train.value_j_m2 <= limit(nm, seconds, limit_set, tissue).value_j_m2


@given(NM, SECONDS, TISSUES, RATES, st.floats(1, 10))
def test_a_faster_train_never_allows_more_by_the_directive(nm, seconds, tissue, rate, times):
    slow, fast = (min(one, 1 / seconds) for one in (rate, rate * times))
    assert (
        limit(nm, seconds, EU, tissue, rate_hz=fast).value_j_m2
        <= limit(nm, seconds, EU, tissue, rate_hz=slow).value_j_m2
    )


@given(NM, SETS, TISSUES, st.data())
def test_on_a_boundary_of_time_the_stricter_counts(nm, limit_set, tissue, data):
    inside = [one for one in breaks_s(limit_set, tissue) if 1e-10 < one < 10]
    at = data.draw(st.sampled_from(inside))
    on = limit(nm, at, limit_set, tissue).value_j_m2
    beside = [
        limit(nm, at * factor, limit_set, tissue).value_j_m2 for factor in (1 - AROUND, 1 + AROUND)
    ]
    assert on <= min(beside) * (1 + 10 * AROUND)


@given(SECONDS, SETS, TISSUES, st.sampled_from([450, 700, 1050, 1150, 1200]))
def test_on_a_boundary_of_wavelength_the_stricter_counts(seconds, limit_set, tissue, at):
    on = limit(at, seconds, limit_set, tissue).value_j_m2
    beside = [
        limit(at * factor, seconds, limit_set, tissue).value_j_m2
        for factor in (1 - AROUND, 1 + AROUND)
    ]
    assert on <= min(beside) * (1 + 100 * AROUND)


@given(SECONDS, SETS, st.floats(1.5, 500))
def test_a_larger_source_never_has_a_lower_limit(seconds, limit_set, mrad):
    assert (
        limit(532, seconds, limit_set, source_mrad=mrad).value_j_m2
        >= limit(532, seconds, limit_set).value_j_m2
    )


def test_pulses_closer_than_the_thermal_time_count_as_one():
    """100 kHz: within 18 us there are two pulses, which share what one may have."""
    train = limit(532, 6e-9, EU, rate_hz=100_000, exposure_s=0.25)
    [third] = [rule for rule in train.rules if rule.number == 3]
    alone = limit(532, 18e-6, EU).value_j_m2
    assert third.value_j_m2 == pytest.approx(alone * 12_500**-0.25 / 2)


def test_the_limit_of_1400_nm_is_never_above_that_of_skin():
    """The standard's C7 is 1e6 there; the cornea is what is hurt first (from memory)."""
    assert limit(1400, 6e-9, IEC).value_j_m2 == limit(1400, 6e-9, IEC, s.Tissue.SKIN).value_j_m2


def test_what_a_limit_stands_on():
    train = limit(1064, 6e-9, EU, rate_hz=10)
    assert [clause.table for clause in train.clauses] == ["2.2", "2.6"]
    assert not any(clause.from_memory for clause in train.clauses)
    assert train.single.factors == (("CC", 1.0), ("CE", 1.0))
    assert [clause.table for clause in limit(1064, 6e-9, IEC, rate_hz=10).clauses] == [
        "A.1",
        "4.3 f",
    ]
