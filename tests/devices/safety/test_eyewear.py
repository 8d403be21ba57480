"""Densities, levels, marks, and whether a pair fits."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices import safety as s

LOWER = s.LimitSet.LOWER
NS = 1e-9
JOULES = st.floats(1e-3, 5)
MM = st.floats(1, 10)
DOUBLED = (
    s.Emission(532, 6 * NS, 10 * NS, 2, 0.5, 10),
    s.Emission(1064, 6 * NS, 10 * NS, 2, 1.0, 10),
)
BOTH = [s.worst_requirement(one) for one in DOUBLED]


def beam(joules, millimetres=3, *, nm=1064, seconds=6 * NS, rate=10):
    return s.Beam(s.Exposure(nm, seconds, rate_hz=rate), joules, millimetres)


def needed(one, limit_set=LOWER, **more):
    return s.required_density(
        one, limit=s.exposure_limit(one.exposure, limit_set=limit_set), **more
    )


def lens(*densities, marks=()):
    return s.Lens(
        tuple(s.Density(*one) for one in densities), tuple(s.read_mark(mark) for mark in marks)
    )


@given(JOULES, st.floats(1, 3), MM)
def test_more_energy_never_needs_less(joules, times, millimetres):
    weak, strong = beam(joules, millimetres), beam(joules * times, millimetres)
    assert needed(strong) >= needed(weak)
    for lesser, greater in zip(s.protection(weak).levels, s.protection(strong).levels, strict=True):
        assert greater.number >= lesser.number


@given(JOULES, MM, st.sampled_from([532, 694, 755, 1064]))
def test_the_lower_limit_needs_the_higher_density(joules, millimetres, nm):
    one = beam(joules, millimetres, nm=nm)
    both = [needed(one, limit_set) for limit_set in (s.LimitSet.EU2006, s.LimitSet.IEC2014)]
    assert needed(one) == max(both)


@given(JOULES, st.floats(0.5, 7))
def test_a_beam_narrower_than_the_pupil_counts_over_7_mm(joules, millimetres):
    assert needed(beam(joules, millimetres)) == pytest.approx(needed(beam(joules, 7)))


def test_a_limit_of_another_beam_is_refused():
    other = s.exposure_limit(s.Exposure(532, 6 * NS), limit_set=LOWER)
    with pytest.raises(s.SetsMixed):
        s.required_density(beam(0.5), limit=other)


def test_nothing_is_needed_below_the_limit():
    assert needed(beam(1e-12)) == 0.0
    assert s.least_marked(0.0) == 0


def test_a_beam_given_at_1_e2():
    assert s.d63_mm(2 * math.sqrt(2)) == pytest.approx(2)


@pytest.mark.parametrize(
    ("seconds", "modes"),
    [
        (0.9 * NS, {"M"}),
        (1 * NS, {"M"}),
        (1.1 * NS, {"R"}),
        (1e-6, {"R"}),
        (1.1e-6, {"I"}),
        (0.25, {"I", "D"}),
        (0.3, {"D"}),
    ],
)
def test_modes_by_duration_on_a_boundary_the_stricter(seconds, modes):
    """At 1 ns the M formula gives the higher level; I and R share one, so R is named."""
    got = s.protection(s.Beam(s.Exposure(1064, seconds), 1, 3))
    assert {one.mode.value for one in got.levels} == modes


def test_a_level_beyond_the_scale_is_said():
    beyond = s.level(s.Mode.M, 1e8)
    assert (beyond.number, beyond.exists) == (12, False)
    assert s.level(s.Mode.R, 1e-6).number == 1


@pytest.mark.parametrize(
    ("text", "low", "high", "levels"),
    [
        ("1064 D LB6 + IR LB8", 1064, 1064, {"D": 6, "I": 8, "R": 8}),
        ("1064 D LB6 + I LB7 + R LB8 + M LB9", 1064, 1064, {"D": 6, "I": 7, "R": 8, "M": 9}),
        ("800-1100 DIRM LB5", 800, 1100, {"D": 5, "I": 5, "R": 5, "M": 5}),
        ("  755 nm  dir lb7 ", 755, 755, {"D": 7, "I": 7, "R": 7}),
        ("532 D LB5 + IRM LB6 X EN207 S", 532, 532, {"D": 5, "I": 6, "R": 6, "M": 6}),
        ("694 D LB10", 694, 694, {"D": 10}),
    ],
)
def test_marks_are_read(text, low, high, levels):
    mark = s.read_mark(text)
    assert (mark.low_nm, mark.high_nm) == (low, high)
    assert {mode.value: number for mode, number in mark.levels.items()} == levels
    assert s.read_mark(mark.text) == mark


def test_a_range_that_leaves_its_lower_end_out():
    mark = s.read_mark(">800-1100 D LB7")
    assert [mark.speaks_of(nm) for nm in (800, 801, 1100, 1101)] == [False, True, True, False]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "no wavelength"),
        ("D LB6", "no wavelength"),
        ("1064", "no mode"),
        ("1064 LB6", "no mode"),
        ("1064 D L6", "no mode"),
        ("1064 D LB0", "LB0"),
        ("1064 D LB11", "LB11"),
        ("1064 DD LB6", "twice"),
        ("1064 D LB6 + DI LB7", "twice"),
        ("1064 D LB6 +", "no mode"),
        ("1064 D LB6 + X LB7", "no mode"),
        ("1100-800 D LB6", "range"),
        ("100 D LB6", "range"),
        ("1064 " + "D" * 200, "too many"),
    ],
)
def test_marks_that_are_none_are_refused(text, reason):
    with pytest.raises(s.MarkUnreadable, match=reason):
        s.read_mark(text)


def test_a_doubled_laser_needs_both_wavelengths():
    enough = lens(
        (532, 532, 8), (1064, 1064, 8), marks=["532 D LB6 + IR LB9", "1064 D LB6 + IR LB9"]
    )
    assert s.fits(enough, BOTH)
    one = lens((1064, 1064, 8), marks=["1064 D LB6 + IR LB9"])
    [short] = s.shortfalls(one, BOTH)
    assert (short.wavelength_nm, short.short) == (532, s.Short.NOT_COVERED)
    assert "OD" in short.needed


def test_density_and_level_are_both_asked():
    weak = lens((1064, 1064, 5), marks=["1064 D LB4 + IR LB5"])
    shorts = s.shortfalls(weak, BOTH[1:])
    assert {one.short for one in shorts} == {s.Short.DENSITY, s.Short.LEVEL}
    assert {one.needed for one in shorts if one.short is s.Short.LEVEL} == {
        one.mark for one in BOTH[1].levels
    }


def test_where_marks_are_not_in_use_density_is_enough():
    plain = lens((1064, 1064, 8))
    assert not s.fits(plain, BOTH[1:])
    assert s.fits(plain, BOTH[1:], levels=False)


def test_a_mark_says_a_density_too():
    assert lens(marks=["1064 D LB6 + IR LB8"]).density_at(1064) == 8
    assert lens(marks=["1064 D LB6"]).density_at(532) is None


def test_where_two_ranges_meet_the_lower_counts():
    assert lens((800, 1000, 5), (1000, 1100, 7)).density_at(1000) == 5
    assert lens((190, 1100, 5), (1064, 1064, 8)).density_at(1064) == 8


@given(st.floats(0, 12), st.floats(0, 3))
def test_a_denser_pair_never_fits_less(density, more):
    thin, dense = lens((500, 1100, density)), lens((500, 1100, density + more))
    if s.fits(thin, BOTH, levels=False):
        assert s.fits(dense, BOTH, levels=False)


def test_the_worst_is_sought_over_every_duration_of_the_line():
    """From 0.3 ns to 20 ns: the shortest pulse has the lowest limit and two modes count."""
    wide = s.worst_requirement(s.Emission(1064, 0.3 * NS, 20 * NS, 3, 0.5, 10))
    assert wide.worst.exposure.pulse_s == 0.3 * NS
    assert {one.mode.value for one in wide.levels} == {"D", "R", "M"}
    for seconds in (0.3 * NS, 1 * NS, 5 * NS, 20 * NS):
        assert wide.density >= needed(beam(0.5, seconds=seconds))


@given(st.floats(-10, -0.61), st.floats(0, 3), JOULES)
def test_no_duration_of_the_line_needs_more_than_its_worst(power, decades, joules):
    low, high = 10**power, min(0.25, 10 ** (power + decades))
    line = s.Emission(755, low, high, 3, joules, 2)
    worst = s.worst_requirement(line)
    for step in range(11):
        seconds = low * (high / low) ** (step / 10)
        one = beam(joules, nm=755, seconds=seconds, rate=min(2, 1 / seconds))
        assert worst.density >= needed(one) - 1e-6


def test_a_line_beyond_the_tables_is_refused():
    with pytest.raises(s.OutsideTables):
        s.worst_requirement(s.Emission(2940, 6 * NS, 6 * NS, 3, 1, 1))
    with pytest.raises(s.OutsideTables):
        s.Emission(1064, 50e-12, 6 * NS, 3, 1, 1)
