"""What eyewear needs and how far a beam reaches, for treatment beams; and two libraries as oracles.

Rows TB*, ND* and LG* of the laser reference: constructed inputs, expected numbers computed from
the formulas of the sources named in `test_laser_safety`, apart from this code. Oracles:
`lasersafety` (EN 207, given energy and duration of the pulse) and `lasercalc` (continuous and
millisecond cases only).
"""

from math import pi, sqrt

import lasercalc
import pytest
from lasercalc.mpe import mpe_eye
from lasersafety.laser import LaserBeam

from devices import safety as s
from devices.safety.distance import safe_diameter_m

EU, IEC, LOWER = s.LimitSet.EU2006, s.LimitSet.IEC2014, s.LimitSet.LOWER
PS, NS, MS = 1e-12, 1e-9, 1e-3


def limit(nm, seconds, limit_set, **more):
    return s.exposure_limit(s.Exposure(nm, seconds, **more), limit_set=limit_set)


# 7.5 Treatment beams of our own making


@pytest.mark.parametrize(
    ("row", "nm", "pulse", "exposed", "densities", "long", "marks"),
    [
        (
            "TB1",
            1064,
            (8, 0.5655),
            1.469e4,
            (5.468, 5.968, 5.866, 5.866),
            2.53e5,
            {"R LB8": 7.704, "D LB5": 4.903},
        ),
        (
            "TB2",
            532,
            (3, 0.2121),
            5510,
            (6.042, 6.542, 6.440, 6.440),
            9.487e4,
            {"R LB8": 7.278, "D LB5": 4.477},
        ),
    ],
)
def test_tb_rows_density_and_level(row, nm, pulse, exposed, densities, long, marks):
    fluence, joules = pulse
    energy = fluence * pi * 0.3**2 / 4
    assert energy == pytest.approx(joules, rel=1e-3)
    single = s.Beam(s.Exposure(nm, 6 * NS), energy, 3)
    train = s.Beam(s.Exposure(nm, 6 * NS, rate_hz=10, exposure_s=10), energy, 3)
    assert s.radiant_exposure_j_m2(energy, diameter_mm=3, aperture_mm=7) == pytest.approx(
        exposed, rel=1e-3
    )
    got = [
        s.required_density(beam, limit=s.exposure_limit(beam.exposure, limit_set=one))
        for one in (EU, IEC)
        for beam in (single, train)
    ]
    assert got == pytest.approx(densities, abs=2e-3)
    needed = s.protection(train)
    assert needed.pulsed.value == pytest.approx(long, rel=2e-3)
    assert {one.mark: one.exact for one in needed.levels} == pytest.approx(marks, abs=2e-3)


def test_tb_rows_the_lower_of_both_asks_for_the_higher_density():
    for nm, fluence, expected in ((1064, 8, 5.968), (532, 3, 6.542)):
        beam = s.Beam(
            s.Exposure(nm, 6 * NS, rate_hz=10, exposure_s=10), fluence * pi * 0.3**2 / 4, 3
        )
        lower = s.exposure_limit(beam.exposure, limit_set=LOWER)
        assert (lower.limit_set, lower.rule) == (EU, 3)
        assert s.required_density(beam, limit=lower) == pytest.approx(expected, abs=2e-3)


def test_tb_rows_hold_for_5_seconds_of_test_too():
    """Computed: between the two editions of EN 207 the levels of these beams do not change."""
    for nm, joules in ((1064, 0.5655), (532, 0.2121)):
        beam = s.Beam(s.Exposure(nm, 6 * NS, rate_hz=10), joules, 3)
        marks = [one.mark for one in s.protection(beam).levels]
        assert [one.mark for one in s.protection(beam, test=s.EN207_2017).levels] == marks


@pytest.mark.parametrize(
    ("row", "nm", "joules", "linear", "quadrature", "iec", "train"),
    [
        ("ND1", 1064, 0.5, 1782.6, 1784.1, 2819.4, 3171.2),
        ("ND2", 532, 0.2, 3566.7, 3568.2, 5640.4, 6343.8),
    ],
)
def test_nd_1_and_2_hazard_distance(row, nm, joules, linear, quadrature, iec, train):
    """Constructed: 3 mm, 2 mrad, 6 ns."""

    def metres(allowed, growth=s.Growth.LINEAR):
        return s.hazard_distance_m(
            joules,
            limit_j_m2=allowed.value_j_m2,
            diameter_mm=3,
            divergence_mrad=2,
            growth=growth,
        )

    single = limit(nm, 6 * NS, EU)
    assert metres(single) == pytest.approx(linear, rel=1e-4)
    assert metres(single, s.Growth.QUADRATURE) == pytest.approx(quadrature, rel=1e-4)
    assert metres(limit(nm, 6 * NS, IEC)) == pytest.approx(iec, rel=1e-4)
    assert metres(limit(nm, 6 * NS, EU, rate_hz=10, exposure_s=10)) == pytest.approx(
        train, rel=1e-4
    )


def test_nd_5_to_7_lens_and_reflection():
    """Constructed; the formulas from memory (ANSI and OSHA guides)."""
    assert s.lens_distance_m(
        0.5, limit_j_m2=0.05, focal_mm=50, beam_on_lens_mm=10
    ) == pytest.approx(17.841, rel=1e-4)  # ND5
    assert s.diffuse_distance_m(0.5, limit_j_m2=0.05) == pytest.approx(1.7841, rel=1e-4)  # ND6
    assert s.diffuse_distance_m(0.5, limit_j_m2=0.02, reflectance=0.8) == pytest.approx(
        2.5231, rel=1e-4
    )  # ND7


def test_four_over_pi_is_not_1_27():
    """Often printed rounded; 0.13 % on the distance."""
    rounded = sqrt(1.27 * 0.5 / 0.05)
    assert safe_diameter_m(0.5, limit_j_m2=0.05) / rounded == pytest.approx(1.0013, abs=2e-4)


# 7.9 The rows of safety


def test_lg_4_and_6_required_against_marked():
    for marked, fit in ((6, True), (5, False)):  # LG4: required 5.968
        lens = s.Lens(densities=(s.Density(1064, 1064, marked),))
        assert (lens.density_at(1064) >= 5.968) is fit
    assert s.least_marked(5.968) == 6
    assert s.optical_density(1.25, limit=1) == pytest.approx(0.0969, abs=1e-4)  # LG6
    assert s.optical_density(1.20, limit=1) == pytest.approx(0.0792, abs=1e-4)  # LG6


def test_lg_5_eyewear_for_one_of_two_wavelengths():
    """A training handbook (2021): a doubled laser emits both; 1064 alone does not fit."""
    both = [
        s.worst_requirement(s.Emission(nm, 6 * NS, 6 * NS, 3, joules, 10))
        for nm, joules in ((532, 0.2), (1064, 0.5))
    ]
    infrared = s.Lens((s.Density(1064, 1064, 8),), (s.read_mark("1064 D LB8 + IR LB8"),))
    assert s.fits(infrared, both[1:])
    assert [one.wavelength_nm for one in s.shortfalls(infrared, both)] == [532]


def test_lg_7_the_number_is_rounded_up():
    assert s.Level(s.Mode.R, 9.487e4, 7.278).number == 8


# Independent oracles


@pytest.mark.parametrize(
    ("nm", "joules", "seconds", "millimetres", "hertz"),
    [
        (1064, 0.5655, 6 * NS, 3, 10),
        (532, 0.2121, 6 * NS, 3, 10),
        (755, 0.2, 750 * PS, 2.5, 10),
        (694, 1.0, 30 * NS, 4, 2),
        (1064, 1.2, 10 * NS, 8, 1),
        (532, 0.3, 450 * PS, 2, 5),
        (755, 0.1, 50 * NS, 3, 10),
        (1064, 20.0, 10 * MS, 10, 2),
    ],
)
def test_en_207_as_the_library_lasersafety_has_it(nm, joules, seconds, millimetres, hertz):
    """lasersafety 0.10.1, given energy and duration of the pulse: its other inputs are faulty.

    It calls the pulses between 1 us and 1 ms R, not I; the formula is one.
    """
    beam = LaserBeam(
        wavelength=nm * 1e-9,
        repetition_rate=hertz,
        beam_diameter=millimetres * 1e-3,
        pulse_duration=seconds,
        pulse_energy=joules,
    )
    theirs = {mode.value[0].upper(): number for mode, number in beam.en207_analysis()}
    ours = s.protection(s.Beam(s.Exposure(nm, seconds, rate_hz=hertz), joules, millimetres))
    assert {one.mode.value: one.number for one in ours.levels} == theirs


def test_en_207_continuous_as_the_library_lasersafety_has_it():
    """lasersafety 0.10.1: 50 W in 5 mm at 1064 nm is D 6."""
    beam = LaserBeam(wavelength=1064e-9, repetition_rate=0, beam_diameter=5e-3, average_power=50)
    [(mode, number)] = beam.en207_analysis()
    ours = s.protection(s.Beam(s.Exposure(1064, 1), 50, 5)).continuous
    assert (ours.mode.value, ours.number) == (mode.value, number)


@pytest.mark.parametrize("nm", [532, 694, 755, 1064])
@pytest.mark.parametrize("seconds", [1 * MS, 10 * MS, 0.1, 0.25])
def test_milliseconds_as_the_library_lasercalc_has_them(nm, seconds):
    """lasercalc 0.1.1: no oracle for short pulses (visible 5e-3 and 1064 nm 2.5e-2 J/m2)."""
    theirs = mpe_eye(nm, seconds)
    for limit_set in (EU, IEC):
        assert limit(nm, seconds, limit_set).value_w_m2 == pytest.approx(
            theirs.irradiance_w_m2, rel=1e-4
        )


def test_ten_seconds_as_the_library_lasercalc_has_them():
    """lasercalc 0.1.1: 10, 10, 12.88 and 50 W/m2, the rows from 10 s on (ours from memory)."""
    for nm in (532, 694, 755, 1064):
        assert limit(nm, 10, IEC).value_w_m2 == pytest.approx(
            mpe_eye(nm, 10).irradiance_w_m2, rel=1e-4
        )


def test_hazard_distance_as_the_library_lasercalc_has_it():
    source = lasercalc.LaserSource(
        wavelength_nm=532, power_w=5e-3, divergence_rad=1e-3, beam_diameter_m=1e-3
    )
    allowed = limit(532, 0.25, IEC).value_w_m2
    ours = s.hazard_distance_m(5e-3, limit_j_m2=allowed, diameter_mm=1, divergence_mrad=1)
    assert ours == pytest.approx(lasercalc.nohd(source).nohd_m, rel=1e-3)
