"""Exposure limits, factors, densities, levels and distances against published values.

Rows CF*, MP*, E-*, S-* and W* of the laser reference (TB*, ND*, LG* and the libraries asked as
oracles: `test_laser_safety_beams`). Where they come from:

EU2006: Directive 2006/25/EC Annex II, read in the French transposition (code du travail, annexe
II: Tables 2.2, 2.4, 2.5, 2.6), the Norwegian action-value rules (Table 4.5) and a German insurer's
leaflet (BGI 832, Table 6a). IEC2014: IEC 60825-1:2014 Tables 9, A.1, A.5 and clause 4.3 f), read
in two open reprints (700-1050 nm, and 400-700 and 1050-1400 nm) that agree where they
overlap; the text of the standard itself from memory. Expected numbers were computed from these
formulas apart from this code."""

from math import pi

import pytest

from devices import safety as s
from devices.safety import factors as f

EU, IEC, LOWER = s.LimitSet.EU2006, s.LimitSet.IEC2014, s.LimitSet.LOWER
PS, NS, MS = 1e-12, 1e-9, 1e-3
J_CM2 = 1e4


def limit(nm, seconds, limit_set, tissue=s.Tissue.EYE, **more):
    return s.exposure_limit(s.Exposure(nm, seconds, **more), limit_set=limit_set, tissue=tissue)


# 7.1 Correction factors (Directive Table 2.5; IEC: open reprint)


def test_cf_1_to_5_by_wavelength():
    assert (f.ca(532), f.ca(694)) == (1.0, 1.0)  # CF1
    assert f.ca(755) == pytest.approx(1.28825, rel=1e-5)  # CF2
    assert f.ca(755) == pytest.approx(10 ** (0.002 * 55), rel=1e-6)  # CF2
    assert f.ca(1064) == 5.0  # CF3
    assert [f.cc(1064, limit_set=one) for one in (EU, IEC)] == [1.0, 1.0]  # CF4
    assert f.cb(532) == pytest.approx(43.6516, rel=1e-5)  # CF5


@pytest.mark.parametrize(
    ("row", "mrad", "expected"),
    [("CF6", 1.0, 1.0), ("CF6", 15, 10.0), ("CF6", 100, 66.667), ("CF7", 200, 266.667)],
)
def test_cf_6_and_7_extended_sources_of_the_directive(row, mrad, expected):
    assert f.ce(mrad, duration_s=6 * NS, limit_set=EU) == pytest.approx(expected, rel=1e-4)


def test_cf_8_and_9_extended_sources_of_2014():
    assert f.ce(50, duration_s=6 * NS, limit_set=IEC) == pytest.approx(3.3333, rel=1e-4)  # CF8
    for seconds, mrad in ((625e-6, 5.0), (10 * MS, 20.0), (0.25, 100.0)):  # CF9
        assert f.alpha_max_mrad(seconds) == pytest.approx(mrad, rel=1e-6)


# 7.1 Trains (Directive Table 2.6; IEC 4.3 f)


@pytest.mark.parametrize(
    ("pulses", "expected"),
    [(1, 1), (2, 0.8409), (10, 0.5623), (50, 0.3761), (100, 0.3162), (1000, 0.1778), (10000, 0.1)],
)
def test_mp_1_train_factor_of_the_directive(pulses, expected):
    assert f.cp(pulses) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(
    ("row", "pulses", "exposure_s", "expected"),
    [
        ("MP2", 5, 0.25, 1.0),
        ("MP2", 30000, 0.25, 1.0),
        ("MP3", 100, 10, 1.0),
        ("MP3", 600, 10, 1.0),
        ("MP5", 30000, 10, 0.4),
        ("MP6", 601, 10, 1.0),
        ("MP6", 624, 10, 1.0),
    ],
)
def test_mp_2_to_6_short_pulses_of_2014(row, pulses, exposure_s, expected):
    """MP6: the formula as printed exceeds 1 between 601 and 624 pulses; it is held at 1."""
    got = f.c5(pulses, pulse_s=6 * NS, exposure_s=exposure_s, one_pulse=5e-6)
    assert got == pytest.approx(expected, rel=1e-9)


def test_mp_6_as_printed_would_exceed_1():
    printed = [5 * pulses**-0.25 for pulses in (601, 624)]
    assert printed == pytest.approx([1.0098, 1.0004], abs=1e-4)


@pytest.mark.parametrize(
    ("row", "pulses", "mrad", "expected"),
    [("MP7", 100, 5, 1.0), ("MP8", 40, 15, 0.3976), ("MP8", 41, 15, 0.4)],
)
def test_mp_7_and_8_long_pulses_of_2014(row, pulses, mrad, expected):
    got = f.c5(pulses, pulse_s=10 * MS, exposure_s=10, one_pulse=5e-6, source_mrad=mrad)
    assert got == pytest.approx(expected, rel=1e-3)


def test_mp_9_pulses_that_count_as_one():
    for nm in (532, 694, 755):
        assert f.one_pulse_s(nm, limit_set=EU) == 18e-6
        assert f.one_pulse_s(nm, limit_set=IEC) == 5e-6
    assert f.one_pulse_s(1064, limit_set=EU) == 50e-6
    assert f.one_pulse_s(1064, limit_set=IEC) == 13e-6


# 7.2 Eye, one pulse, point source, J/m2: 532 and 694 (EU, IEC), 755 (EU, IEC), 1064 (EU, IEC)

EYE = {
    "E-100ps": (100 * PS, 0.00085381, 0.002, 0.0010999, 0.0025765, 0.0085381, 0.02),
    "E-450ps": (450 * PS, 0.002638, 0.002, 0.0033984, 0.0025765, 0.02638, 0.02),
    "E-750ps": (750 * PS, 0.0038695, 0.002, 0.0049849, 0.0025765, 0.038695, 0.02),
    "E-1ns": (1 * NS, 0.005, 0.002, 0.0064412, 0.0025765, 0.05, 0.02),
    "E-6ns": (6 * NS, 0.005, 0.002, 0.0064412, 0.0025765, 0.05, 0.02),
    "E-10ns": (10 * NS, 0.005, 0.002, 0.0064412, 0.0025765, 0.05, 0.02),
    "E-30ns": (30 * NS, 0.005, 0.002, 0.0064412, 0.0025765, 0.05, 0.02),
    "E-50ns": (50 * NS, 0.005, 0.002, 0.0064412, 0.0025765, 0.05, 0.02),
    "E-100ns": (100 * NS, 0.005, 0.002, 0.0064412, 0.0025765, 0.05, 0.02),
    "E-1ms": (1 * MS, 0.10122, 0.10122, 0.1304, 0.1304, 0.50611, 0.50611),
    "E-10ms": (10 * MS, 0.56921, 0.56921, 0.73328, 0.73328, 2.846, 2.846),
    "E-0.25s": (0.25, 6.364, 6.364, 8.1984, 8.1984, 31.82, 31.82),
}
AT_1_NS = 2.7e4 * (1 * NS) ** 0.75 / 5e-3


@pytest.mark.parametrize("row", EYE)
def test_e_rows_limit_of_the_eye(row):
    """At exactly 1 ns two rows of the Directive fit; the stricter (4 % lower) is taken."""
    seconds, *expected = EYE[row]
    stricter = AT_1_NS if row == "E-1ns" else 1.0
    for nms, eu, iec in (
        ((532, 694), *expected[:2]),
        ((755,), *expected[2:4]),
        ((1064,), *expected[4:]),
    ):
        for nm in nms:
            assert limit(nm, seconds, EU).value_j_m2 == pytest.approx(eu * stricter, rel=1e-3)
            assert limit(nm, seconds, IEC).value_j_m2 == pytest.approx(iec, rel=1e-3)
            assert limit(nm, seconds, LOWER).value_j_m2 == pytest.approx(
                min(eu * stricter, iec), rel=1e-3
            )


def test_the_sets_cross_at_311_ps():
    """2.7e4 t^0.75 = 2e-3: below it the Directive is the stricter, above it the standard."""
    crossing = (2e-3 / 2.7e4) ** (1 / 0.75)
    assert crossing == pytest.approx(311 * PS, rel=2e-3)
    assert limit(532, crossing * 0.99, LOWER).limit_set is EU
    assert limit(532, crossing * 1.01, LOWER).limit_set is IEC


def test_boundaries_give_the_stricter_by_as_much_as_the_tables_step():
    """The steps: 4.80e-3 at 1 ns, 4.97e-3 at 18 us, 5e-2 (not 5.35e-2) at 50 us, skin 195.6."""
    assert limit(532, 1 * NS, EU).value_j_m2 == pytest.approx(4.80e-3, rel=1e-3)
    assert limit(532, 18e-6, EU).value_j_m2 == pytest.approx(4.97e-3, rel=1e-3)
    assert limit(1064, 50e-6, EU).value_j_m2 == pytest.approx(5e-2, rel=1e-9)
    assert limit(532, 100 * NS, EU, s.Tissue.SKIN).value_j_m2 == pytest.approx(195.61, rel=1e-4)


# 7.3 Skin, one pulse, J/m2: 532 and 694, 755, 1064. The same in both sets

SKIN = {
    "S-100ps": (100 * PS, 20, 25.765, 100),
    "S-450ps": (450 * PS, 90, 115.94, 450),
    "S-750ps": (750 * PS, 150, 193.24, 750),
    "S-1ns": (1 * NS, 200, 257.65, 1000),
    "S-6ns": (6 * NS, 200, 257.65, 1000),
    "S-10ns": (10 * NS, 200, 257.65, 1000),
    "S-30ns": (30 * NS, 200, 257.65, 1000),
    "S-50ns": (50 * NS, 200, 257.65, 1000),
    "S-100ns": (100 * NS, 195.61, 252, 978.05),
    "S-1ms": (1 * MS, 1956.1, 2520, 9780.5),
    "S-10ms": (10 * MS, 3478.5, 4481.2, 17393),
    "S-0.25s": (0.25, 7778.2, 10020, 38891),
}


@pytest.mark.parametrize("row", SKIN)
def test_s_rows_limit_of_the_skin(row):
    seconds, visible, at_755, at_1064 = SKIN[row]
    for nm, expected in ((532, visible), (694, visible), (755, at_755), (1064, at_1064)):
        for limit_set in (EU, IEC, LOWER):
            got = limit(nm, seconds, limit_set, s.Tissue.SKIN)
            assert got.value_j_m2 == pytest.approx(expected, rel=1e-3)
            assert got.aperture_mm == 3.5


# 7.4 Worked examples


def test_w2a_density_of_a_medical_laser():
    """A training handbook (2021): 10 J/cm2 with 25 % on top, limit 5e-6 J/cm2: OD 6.4."""
    assert s.optical_density(12.5, limit=5e-6) == pytest.approx(6.3979, abs=1e-4)
    beam = s.Beam(s.Exposure(1064, 6 * NS), energy_j=10 * pi * 0.45**2, diameter_mm=9)
    eu = s.exposure_limit(beam.exposure, limit_set=EU)
    assert s.required_density(beam, limit=eu, margin=1.25) == pytest.approx(6.3979, abs=1e-4)


def test_w3_level_of_a_continuous_beam():
    """The same handbook: 50 W in 5 mm at 1064 nm is D LB6 (it prints W/cm2 for W/m2)."""
    beam = s.Beam(s.Exposure(1064, 10), energy_j=500, diameter_mm=5)
    got = s.protection(beam)
    assert got.pulsed is None
    assert got.continuous.value == pytest.approx(2.5465e6, rel=1e-4)
    assert got.continuous.exact == pytest.approx(5.406, abs=1e-3)
    assert got.continuous.mark == "D LB6"


def test_w4_hazard_distance_of_one_watt():
    """The same handbook: 1 W, 1 mrad, visible, 0.25 s: 225 m (rounded up from 223.65)."""
    visible = limit(532, 0.25, EU).value_w_m2
    assert visible == pytest.approx(25.46, abs=5e-3)
    got = s.hazard_distance_m(1, limit_j_m2=visible, diameter_mm=0, divergence_mrad=1)
    assert got == pytest.approx(223.65, abs=0.01)
    assert got == pytest.approx(225, rel=7e-3)


def test_w5a_level_of_a_mode_locked_laser():
    """optique-ingenieur.org, exercise 04: 842 J/m2 in mode M is LB7."""
    got = s.level(s.Mode.M, 842)
    assert got.exact == pytest.approx(6.749, abs=1e-3)
    assert got.mark == "M LB7"


def test_w6_a_pointer_over_the_limit():
    """A radiation-safety mailing list: 2 mW at 651 nm is 2.04 times the limit of 0.25 s."""
    exposed = s.radiant_exposure_j_m2(0.002, diameter_mm=2, aperture_mm=7) / J_CM2
    allowed = limit(651, 0.25, EU)
    assert exposed == pytest.approx(5.197e-3, rel=1e-3)
    assert allowed.value_j_m2 / J_CM2 == pytest.approx(6.364e-4, rel=1e-3)
    assert allowed.value_w_m2 / J_CM2 == pytest.approx(2.546e-3, rel=1e-3)
    assert exposed / (allowed.value_w_m2 / J_CM2) == pytest.approx(2.042, abs=2e-3)


def test_w7_the_three_rules_of_a_scanned_beam():
    """A show-laser manual (old limits): rules 1 and 2 published, 25.51 and 998.55 mW; rule 3 ours.

    It counts 32.5 pulses in 0.25 s; a train here has 33, so rules 2 and 3 are asked by hand.
    """
    milliwatts = 78.54e-6 / 15.39e-6 * 1e3
    single = limit(532, 15.39e-6, EU).value_j_m2
    whole = limit(532, 0.25, EU).value_j_m2
    assert single * milliwatts == pytest.approx(25.52, rel=1e-3)
    assert whole / 32.5 * milliwatts == pytest.approx(999.3, rel=1e-3)
    assert whole / 32.5 * milliwatts == pytest.approx(998.55, rel=1e-3)
    assert single * f.cp(32.5) * milliwatts == pytest.approx(10.69, rel=1e-3)
    train = limit(532, 15.39e-6, EU, rate_hz=130, exposure_s=0.25)
    assert train.exposure.pulses == 33
    assert [rule.number for rule in train.rules] == [1, 2, 3]
    assert train.rule == 3
    assert train.value_j_m2 * milliwatts == pytest.approx(10.69, rel=5e-3)


def test_w8_a_narrow_infrared_beam_counts_over_7_mm():
    """TROS Laserstrahlung part 2, 5.1: 100 mW in 2 mm for 10 s at 1064 nm is far too much.

    The numbers are recomputed. At exactly 10 s the stricter row (from memory) gives 50 W/m2.
    """
    exposed = s.radiant_exposure_j_m2(0.1, diameter_mm=2, aperture_mm=7)
    assert exposed == pytest.approx(2598.4, rel=1e-3)
    assert limit(1064, 10, EU).value_w_m2 == pytest.approx(50, rel=1e-3)
    assert limit(1064, 9.999, EU).value_w_m2 == pytest.approx(50.61, rel=1e-3)
    assert exposed / limit(1064, 10, EU).value_w_m2 == pytest.approx(51.97, rel=1e-3)
    assert limit(1064, 10, EU).single.clause.from_memory


def test_w12_a_pointer_as_a_library_prints_it():
    """The readme of lasercalc: 5 mW, 1 mm, 1 mrad: 14.8 m; OD 2.3 at 0.1 m without aperture."""
    allowed = limit(532, 0.25, EU).value_w_m2
    got = s.hazard_distance_m(5e-3, limit_j_m2=allowed, diameter_mm=1, divergence_mrad=1)
    assert got == pytest.approx(14.814, abs=1e-3)  # W12a
    bare = 5e-3 / s.area_m2(1.1)
    assert s.optical_density(bare, limit=allowed) == pytest.approx(2.3153, abs=1e-3)  # W12b
    averaged = s.radiant_exposure_j_m2(5e-3, diameter_mm=1.1, aperture_mm=7)
    assert s.optical_density(averaged, limit=allowed) == pytest.approx(0.7079, abs=1e-3)


def test_w13_millisecond_ruby_and_infrared():
    """From memory (an appendix of the American standard): 1.8e-3 t^0.75 and 9e-3 t^0.75 J/cm2."""
    for limit_set in (EU, IEC):
        ruby = limit(694, 0.8 * MS, limit_set).value_j_m2 / J_CM2
        assert ruby == pytest.approx(8.562e-6, rel=1e-3)  # W13a
        infrared = limit(1064, 0.8 * MS, limit_set).value_j_m2 / J_CM2
        assert infrared == pytest.approx(4.281e-5, rel=1e-3)  # W13b
